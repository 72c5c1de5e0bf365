"""Takes a season folder (YAML, logs) from the bench.
Gives validated, immutable records and log frames in SI units to `reduction`.
"""
