"""Paths of an archive, the lock, and the one door to the filesystem for writing."""
