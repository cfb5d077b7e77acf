"""Frames to Parquet files and back; which rows are current."""
