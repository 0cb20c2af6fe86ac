"""Readers: each file becomes events and rejects, and nothing vanishes."""
