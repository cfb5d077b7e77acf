"""Drawings: numbers in, SVG text out. Pure; reads nothing, writes nothing, knows no archive."""
