"""Pure numbers: units, readings, budgets, certificates, set points, decisions.

No instrument record, no date, no database, no clock. Quantities that are judged against a limit
are exact (``fractions.Fraction``); uncertainties are floats. Every module here can be imported
without numpy and scipy: those are imported inside the functions that need them.

- ``direction``    rising or falling
- ``units``        the shop's units by exact definition, and the four pressure modes
- ``rounding``     a value written with its uncertainty
- ``readings``     typed text to exact numbers; repeat readings to mean, s and degrees of freedom
- ``components``   one influence: distribution, standard uncertainty, sensitivity
- ``budget``       influences to combined uncertainty, coverage factor, expanded uncertainty
- ``certificate``  a gauge's certificate as a curve: error and uncertainty at a reading
- ``pressure``     static and differential pressure, head, what to read on the gauge
- ``switch``       trip and reset readings to set point, dead band, repeatability
- ``conformity``   decision rules, ratios, risks
- ``evaluation``   all of the above, for one series of runs
"""
