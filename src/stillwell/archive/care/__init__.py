"""Fixity, copies, repair, witness lines, proofs, and rows accounted for."""
