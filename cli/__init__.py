"""The commands of ``crestgauge``."""
