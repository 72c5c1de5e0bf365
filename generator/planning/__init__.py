"""Takes a question (a session without logs) from `intake`.
Gives a rehearsal of it: simulated logs that the whole way can be tried on.
"""
