"""The verbs: ingest, derive, adopt, render, audit, rebuild, withhold; one module each."""
