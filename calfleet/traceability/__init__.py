"""Pure graph: no database, no clock.

- ``chain``  from a result or a certificate to its standards, each link judged on the day of use
"""
