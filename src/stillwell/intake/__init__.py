"""What was handed in becomes canonical frames; what cannot be understood becomes reasons. Writes nothing."""
