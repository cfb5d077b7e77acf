"""Rows by site, span and status; SQL; datasets."""
