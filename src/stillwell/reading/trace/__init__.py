"""From a number down to sealed bytes, and from a meter up to what it touched."""
