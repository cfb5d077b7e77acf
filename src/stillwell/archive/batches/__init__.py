"""Sites put together so that memory stays bounded, and files that a compaction puts together."""
