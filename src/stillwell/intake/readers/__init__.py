"""Deposits, zips, CSV, workbooks and TOML as text cells, within limits of size."""
