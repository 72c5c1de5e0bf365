"""Takes the options of one command line.
Gives   what it prints and its exit code; one module a command, found by `generator.cli`.

A command is a module with

    NAME       the word on the command line
    DOES       one line, small letter first
    EXAMPLES   command lines that work, for the help
    arguments  adds its own options to a parser
    run        does the work: prints, returns an exit code; heavy libraries are imported inside
    EXIT_CODES what it ends with, for the help, where that is not what `exit_codes` says

`run` lets WhirlbookError, OSError and KeyboardInterrupt through: `generator.cli` tells them.
"""
