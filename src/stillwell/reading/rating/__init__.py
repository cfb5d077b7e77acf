"""A site's rating: fit, findings, rating in force, shifts."""
