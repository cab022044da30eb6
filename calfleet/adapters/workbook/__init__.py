"""Spreadsheets, CSV and TOML files to records, each problem with its file, sheet and cell.

``tables``     one row of any file: typed access to its cells, problems collected, not raised
``sources``    the three kinds of file opened and brought into that form
``sitefiles``  the input files of a site, and a readings file from the bench
"""
