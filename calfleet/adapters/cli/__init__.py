"""The command line. Commands parse, call one service and print; nothing is decided here."""

from __future__ import annotations


def main() -> None:
    """Run calfleet; never returns normally and never shows a traceback."""
    import sys

    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:  # a terminal that cannot show a sign gets '?', not an error
            reconfigure(errors="replace")
    from calfleet.adapters.cli.commands import app

    try:
        app()
    except Exception as error:  # noqa: BLE001 - the last line of defence before the user
        _unexpected(error)


def _unexpected(error: Exception) -> None:
    """Say that this is a defect, keep the details in a file, and exit with code 70."""
    import sys
    import tempfile
    import traceback

    from calfleet.adapters.cli.app import UNEXPECTED

    with tempfile.NamedTemporaryFile(
        "w", encoding="utf-8", prefix="calfleet-defect-", suffix=".txt", delete=False
    ) as report:
        traceback.print_exception(error, file=report)
    print(
        f"✗ calfleet met something it does not know how to handle ({type(error).__name__}).\n"
        "  This is a defect of the program; what was not finished was not written.\n"
        f"  Next: report it with the file {report.name}.",
        file=sys.stderr,
    )
    raise SystemExit(UNEXPECTED) from None
