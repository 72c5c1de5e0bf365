"""Every page of a built site held against the checks that the pages promise to pass.

    python -m tests.whole_site site          the site in the folder `site`; prints faults, then a table; exit 1 if any

What is asked: the Nu HTML checker (W3C and WHATWG, MIT) without error; axe-core (Deque Systems, MPL 2.0) at
WCAG 2.2 AA without violation at 390 and 1280 px, light and dark; nothing on the console; no request that leaves the
site or fails; no sideways scroll, also at 320 px; served under a sub-path and from disk. The test suite asks the Nu
checker of the whole demo site and the rest of one page of each kind (tests/publication/test_accessibility.py), since
axe takes minutes for all.
"""
