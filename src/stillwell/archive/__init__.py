"""The only room that writes: sealed bytes, ledger, tables, NetCDF, provenance."""
