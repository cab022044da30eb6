"""Documents made from records and chains.

- ``chain_views``    a traced chain as a tree of text, plain data, DOT and SVG
- ``chain_picture``  the SVG picture of a chain
- ``layers``         the layout of boxes and arrows in layers
"""
