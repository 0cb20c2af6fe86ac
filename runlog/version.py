"""The version of this program, in a place that nothing else has to be loaded for."""

VERSION = "0.1.0"
