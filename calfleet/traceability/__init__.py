"""Pure graph: no database, no clock.

- ``chain``      the ways in: from a result or a certificate to its standards
- ``links``      what a chain is made of, its verdict, and circles
- ``facts``      what it is judged from
- ``bench``      results, readings, technician, procedure, gauges in their role
- ``gauges``     a gauge and its certificate on the day of use
- ``standards``  the laboratory and the standards behind a certificate
- ``shares``     which points of a certificate its standards can have carried
- ``curves``     readings against ranges and certificate points
- ``words``      numbers and counts as they stand in sentences
"""
