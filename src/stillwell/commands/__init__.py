"""The commands, by what they do: taking in, reading, keeping."""
