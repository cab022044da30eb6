"""The command line. Commands parse, call one service and print; nothing is decided here."""

from __future__ import annotations


def main() -> None:
    """Run calfleet; never returns normally and never shows a traceback."""
    import sys

    try:
        _speak_plainly()
        from calfleet.adapters.cli.app import silence_stdout
        from calfleet.adapters.cli.commands import app
    except KeyboardInterrupt:
        print("✗ Interrupted; nothing was written.", file=sys.stderr)
        raise SystemExit(130) from None
    try:
        try:
            app(prog_name="calfleet")
        finally:
            sys.stdout.flush()
    except BrokenPipeError:
        # the reader of a pipe closed it; nothing is wrong
        silence_stdout()
        raise SystemExit(0) from None
    except Exception as error:  # noqa: BLE001 - the last line of defence before the user
        _unexpected(error)


PLAIN = {
    "↑": "^", "↓": "v", "±": "+/-", "°": "deg", "–": "-", "∞": "inf", "✗": "x", "×": "x",
    "─": "-", "│": "|", "├": "|", "└": "`", "█": "#", "▏": "|",
}  # fmt: skip
"""What stands for a sign on a terminal that cannot show it: rising and falling must differ."""


def _speak_plainly() -> None:
    """Make both streams write something readable where their encoding lacks a sign."""
    import codecs
    import sys

    def plain(error: UnicodeError) -> tuple[str, int]:
        if not isinstance(error, UnicodeEncodeError):
            raise error
        lost = error.object[error.start : error.end]
        return "".join(PLAIN.get(sign, "?") for sign in lost), error.end

    codecs.register_error("calfleet-plain", plain)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="calfleet-plain")


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
