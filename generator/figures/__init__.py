"""Takes results and reduced curves from `evidence` and `reduction`.
Gives chart specifications with their tables and text alternatives to `publication`.
"""
