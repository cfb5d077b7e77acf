"""Frames of results in, findings out: what is doubtful, why, and against which limit. Reads no file and no clock."""
