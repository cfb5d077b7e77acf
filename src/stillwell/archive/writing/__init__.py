"""Commits: the writer, recovery after a crash, compaction, withheld content."""
