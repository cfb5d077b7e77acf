"""Rules of a gauging, one pandera pass, and codes that are written alike."""
