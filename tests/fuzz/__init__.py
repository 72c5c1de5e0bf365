"""Coverage-guided fuzzing of what reads other people's files.

    pip install atheris                                  Linux; not among the test extras, since it has few wheels
    python -m tests.fuzz log --seconds 300               one of: yaml, log, quantity, conclusion
    python -m tests.fuzz log --again FILE                one case once more, such as a crash; needs no atheris

A case that ends in anything but a result or a plain problem, that breaks a property, or that takes more than
`targets.SLOW_S` is written to `crash-...` or `slow-...` in the current folder. What was found is mended and put into
`corpus/`, which `tests/test_fuzz_corpus.py` reads in every run of the suite.
"""
