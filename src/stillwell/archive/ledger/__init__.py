"""The hash-chained ledger, its checkpoints, and the digests that follow from it."""
