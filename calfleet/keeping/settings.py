"""A site's settings in a copy: without a password, and made to fit the new site."""

from __future__ import annotations

import re
import tomllib
from typing import Any
from urllib.parse import urlsplit

NAME = "calfleet.toml"
HIDDEN = "***"


def without_password(text: str, url: str) -> str:
    """The settings file's text with the database's password put out of sight.

    >>> without_password('url = "postgresql+psycopg://a:b@c/d"', "postgresql+psycopg://a:b@c/d")
    'url = "postgresql+psycopg://a:***@c/d"'
    """
    written = re.search(r"://[^/?#@:\"']*:([^/?#@\"']+)@", text)
    if written is not None:
        text = f"{text[: written.start(1)]}{HIDDEN}{text[written.end(1) :]}"
    text = re.sub(r"(?i)([?&](?:ssl)?password=)[^&\"'\s]*", rf"\1{HIDDEN}", text)
    try:
        password = urlsplit(url).password
    except ValueError:
        password = None
    return text.replace(f":{password}@", f":{HIDDEN}@") if password else text


def for_new_site(text: str, *, url: str, attachments: str) -> str | None:
    """The settings with another database and attachments folder, all else as it was.

    ``None`` when the text is not laid out in a way that can be changed line by line.
    """
    lines = []
    table = ""
    wanted = {"url": url, "attachments": attachments}
    for line in text.splitlines():
        heading = re.match(r"\s*\[\s*([^\]]*?)\s*\]", line)
        if heading:
            table = heading[1]
        key = re.match(r"\s*(url|attachments)\s*=", line)
        if table == "database" and key:
            if key[1] in wanted:
                lines.append(f'{key[1]} = "{wanted.pop(key[1])}"')
            continue
        lines.append(line)
        if heading and table == "database":
            place = len(lines)
    if (wanted and "url" in wanted) or "attachments" in wanted:
        if not any(re.match(r"\s*\[\s*database\s*\]", line) for line in lines):
            return None
        lines[place:place] = [f'{key} = "{value}"' for key, value in wanted.items()]
    made = "\n".join(lines) + "\n"
    try:
        before: dict[str, Any] = tomllib.loads(text)
        after = tomllib.loads(made)
    except tomllib.TOMLDecodeError:
        return None
    expected = {
        **before,
        "database": {**before["database"], "url": url, "attachments": attachments},
    }
    return made if after == expected else None
