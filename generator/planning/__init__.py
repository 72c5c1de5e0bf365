"""Takes a question (a session without logs) from `intake`.
Gives a plan of it (forecast, repeats, order, run sheet), and a rehearsal: simulated logs that the whole way can be
tried on.
"""
