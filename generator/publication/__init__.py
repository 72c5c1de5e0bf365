"""Takes results from `evidence` and charts from `figures`.
Gives pages, data files and pictures to a site folder.
"""
