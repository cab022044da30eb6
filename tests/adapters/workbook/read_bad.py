"""Run as a program of its own: reads each file named on standard input, with limits on itself.

Prints one line of JSON for each file: what came of it, how long it took, and the most memory that
this process has had so far. A file that ends this process ends with it; the caller sees which.
"""

from __future__ import annotations

import json
import re
import resource
import sys
import time
from pathlib import Path
from typing import Any

from calfleet.adapters.workbook.grids import LIMITS, Broken, read_book
from calfleet.errors import Problem


def read(path: Path) -> dict[str, Any]:
    """What ``read_book`` makes of the file, as plain data."""
    problems: list[Problem] = []
    begun = time.process_time()  # other processes may have the processor too
    try:
        book = read_book(path, problems)
    except Exception as error:  # noqa: BLE001
        # anything at all is a defect; the test shows which
        return {"raised": f"{type(error).__name__}: {error}"[:500]}
    taken = time.process_time() - begun
    broken = []
    for grid in book.grids if book else ():
        for row, cells in grid.rows.items():
            for column, value in enumerate(cells):
                if isinstance(value, Broken):
                    where = book.place(grid, row, column) if book else ""
                    broken.append((where, value.message, value.hint))
    return {
        "book": None if book is None else [grid.name for grid in book.grids],
        "problems": [(p.where, p.message, p.hint) for p in problems],
        "broken": broken[:50],
        "remarks": [(p.where, p.message, p.hint) for p in book.remarks] if book else [],
        "seconds": taken,
        "peak_mib": peak_mib(),
    }


def peak_mib() -> int:
    """The most memory that this program has had in use."""
    status = Path("/proc/self/status")
    if status.exists():
        found = re.search(r"VmHWM:\s*(\d+) kB", status.read_text(encoding="ascii"))
        if found:
            return int(found[1]) // 1024
    # elsewhere: of the process, what it was before this program included
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def main() -> None:
    limit, share = int(sys.argv[1]) * 2**20, int(sys.argv[2])
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    for name in ("cells", "filled_rows", "elements"):
        # the one object that every reader looks at
        object.__setattr__(LIMITS, name, getattr(LIMITS, name) // share)
    for line in sys.stdin:
        path = Path(line.rstrip("\n"))
        sys.stdout.write(json.dumps({"name": path.name} | read(path)) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
