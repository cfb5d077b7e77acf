"""Tests, in the rooms of the house."""
