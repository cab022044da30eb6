"""calfleet: keep a plant's pressure and differential-pressure switches trustworthy.

Where things are (imports point down this list, never up, never sideways):

- ``adapters``      how people reach it: ``cli``, ``workbook``, ``documents``
- ``site``          the one place that joins parts: settings, database, folders, the clock
- ``services``      one file per verb of the shop: record, list due, trace
- ``store``         the only SQL
- ``scheduling``    pure dates: due dates, grace, calendars
- ``traceability``  pure graph: the chain from a result to its standards
- ``records``       frozen dataclasses passed between the layers
- ``metrology``     pure numbers: units, budgets, decisions
- ``errors``        every exception, as one tree
"""

__version__ = "0.1.0"
