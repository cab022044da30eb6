"""Pure dates: no database, no clock, no instrument.

- ``calendar``  month arithmetic, working days, shutdown windows, ISO weeks
- ``due``       facts and a policy -> due date, latest date, status and the reason
- ``forecast``  due dates and bench hours over a horizon, against capacity
"""
