"""Field gaugings in, a defended hydrometric archive out."""

__version__ = "0.1.0"
