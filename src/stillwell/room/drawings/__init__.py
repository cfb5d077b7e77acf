"""Drawings of the reading room as SVG."""
