"""What a command ends with."""

DONE, PROBLEMS, USAGE, NOT_WRITTEN, REFUSED, REPEAT = 0, 1, 2, 3, 4, 5
EXIT_CODES = """exit codes:
  0  done
  1  the season has problems; all of them are printed, nothing was written
  2  the command line is wrong
  3  the output cannot be written or is not ours to replace, or nobody is there to make it; nothing was changed
  4  the plan is not safe, and the session does not say why somebody goes on; nothing was written
  5  `check` found no errors, but runs to repeat while the stand is still set up
"""
