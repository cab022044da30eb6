"""The one place that sets a page in type: a typst template and plain data become a PDF.

The data reach the template as ``data.json`` and are never parsed as markup, so a tag may hold any
sign. Same input gives the same bytes: the fonts are those of the package, never the machine's, and
the day is an argument.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from datetime import date, datetime, time
from importlib import import_module
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from calfleet.errors import BadQuantity, UsageError

if TYPE_CHECKING:
    from types import ModuleType

FONT = "Source Sans Pro"
"""The family for templates: Regular, It, Semibold and Bold are there."""
_FACES = ("Regular", "It", "Semibold", "Bold")
EXTRA = "pdf"


def compile(
    source: str,
    data: Mapping[str, object],
    *,
    on: date,
    files: Mapping[str, bytes] | None = None,
    standard: str | None = None,
) -> bytes:
    """The PDF that the typst text ``source`` gives with ``data``, which it reads as data.json.

    data: plain values (text, numbers, lists, tables). on: the day that the file says it was made.
    files: what else the template reads, by name, for example the SVG of a QR code. standard: a
    profile such as ``"a-3b"``; a character that no font holds is then refused.

    >>> compile("#json(\\"data.json\\").tag", {"tag": "#1 $x"}, on=date(2026, 5, 2))[:5]
    b'%PDF-'

    Raises: UsageError where the extra is not installed; BadQuantity where the page cannot be set.
    """
    typst = _typst()
    given = {
        "main.typ": source.encode(),
        "data.json": json.dumps(data, ensure_ascii=False).encode(),
    }
    for name, content in (files or {}).items():
        if name in given:
            raise BadQuantity(
                f"A file {name} for the page.",
                rule="main.typ and data.json are the template and its data.",
                next_step="Give it another name.",
            )
        given[name] = content
    # seconds of that day at noon: a clock's zone must not move the day
    seconds = int((datetime.combine(on, time(12)) - datetime(1970, 1, 1)).total_seconds())  # noqa: DTZ001
    with TemporaryDirectory() as folder:
        fonts = _fonts(typst, Path(folder))
        try:
            compiler = typst.Compiler(given, font_paths=fonts)
            made = compiler.compile(
                format="pdf", timestamp=seconds, pdf_standards=[standard] if standard else []
            )
        except RuntimeError as error:  # typst's own error is one
            hints = " ".join(getattr(error, "hints", ()) or ())
            raise BadQuantity(
                f"The page cannot be set: {getattr(error, 'message', error)}",
                rule="What is printed is set as a whole or not at all.",
                next_step=hints,
            ) from error
    return bytes(made)


def qr_svg(text: str) -> bytes:
    """The QR code of ``text`` as an SVG picture, without a quiet zone (the page leaves it).

    Error correction level M (ISO/IEC 18004). Raises: UsageError where the extra is missing.
    """
    import io

    try:
        segno: Any = import_module("segno")
    except ImportError as error:
        raise _missing() from error
    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        out, kind="svg", border=0, xmldecl=False, svgclass=None, lineclass=None
    )
    return out.getvalue()


def require() -> None:
    """Nothing; to be called before work that a missing extra would waste.

    Raises: UsageError where the extra is not installed.
    """
    _typst()
    _font_folder()


def _typst() -> ModuleType:
    try:
        return import_module("typst")
    except ImportError as error:
        raise _missing() from error


def _font_folder() -> Path:
    try:
        package = import_module("font_source_sans_pro")
    except ImportError as error:
        raise _missing() from error
    return Path(str(package.font_directory))


def _fonts(typst: ModuleType, folder: Path) -> Any:
    # of each face the package holds two forms; which one is found first is the machine's chance
    for face in _FACES:
        name = f"SourceSansPro-{face}.ttf"
        shutil.copy(_font_folder() / name, folder / name)
    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=True, font_paths=[str(folder)]
    )


def _missing() -> UsageError:
    return UsageError(
        "Printable pages need the optional part 'pdf', which is not installed.",
        rule="Pages are set by typst, which comes with it.",
        next_step="Install it: pip install 'calfleet[pdf]'.",
    )
