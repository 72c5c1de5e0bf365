"""Takes one run's frame in SI units, with its plan and parts, from `intake`.
Gives checked, corrected responses with their uncertainties to `evidence`.
"""
