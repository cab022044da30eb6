"""Whole copies of a site: export as plain files, backup, and a site made from either.

Every copy holds a ``manifest.json`` that names each file with its SHA-256, and is checked against
it before anything is made from it.
"""
