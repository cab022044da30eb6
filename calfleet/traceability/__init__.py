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

A gauge found bad, and a hundred thousand results behind it:

- ``impact``     the way in: every result judged again, and what to do
- ``event``      what was found, and since when it cannot be trusted; ``period``: of reported ones
- ``affected``   what rests on it through every tier; ``shifts``: by how much each gauge was off
- ``columns``    many calibrations as columns, and which of them it touches
- ``gathered``   their results as arrays; ``many``: all judged at once; ``rows``: compared, in order
- ``rejudge``    one result judged exactly, from its readings
- ``outcome``    rows, jobs, and sentences about them; ``dossier``: with what was decided
"""
