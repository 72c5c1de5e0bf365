"""What a command ends with."""

DONE, PROBLEMS, USAGE, NOT_WRITTEN = 0, 1, 2, 3
EXIT_CODES = """exit codes:
  0  done
  1  the season has problems; all of them are printed, nothing was written
  2  the command line is wrong
  3  the output cannot be written or is not ours to replace; nothing was changed
"""
