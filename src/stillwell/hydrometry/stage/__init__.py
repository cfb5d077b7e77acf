"""Recorded stage: times and values checked, corrections, readings of the staff."""
