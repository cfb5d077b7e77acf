"""Ratings: the curve, its fit and interval, its shifts, and which one is in force."""
