"""Identity of rows, their revisions, and the archive as it stood before a moment."""
