"""From frames of results to findings: what, why, and against which limit. Reads no file and no clock."""
