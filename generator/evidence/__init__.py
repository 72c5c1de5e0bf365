"""Takes the responses of all runs of a session from `reduction`.
Gives contrasts, verdicts, claims, checks and cautions to `figures` and `publication`.
"""
