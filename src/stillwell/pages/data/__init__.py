"""The archive as the reading room holds it: views, cache, rows, series."""
