"""Stage to discharge through the rating in force; days, months, water years."""
