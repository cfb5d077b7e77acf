"""W3C PROV-JSON documents of commits."""
