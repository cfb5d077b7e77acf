"""Answers of commands as text and as JSON documents."""
