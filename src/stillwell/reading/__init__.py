"""Questions and their answers; reads an archive, never writes to it."""
