"""Intake maps: other layouts described by a TOML file."""
