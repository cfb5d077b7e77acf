"""Text cells to numbers, units, times and constants."""
