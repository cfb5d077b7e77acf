"""Archives of earlier versions."""
