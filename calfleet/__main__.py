"""``python -m calfleet``: the same as the command ``calfleet``."""

from __future__ import annotations

from calfleet.adapters.cli import main

if __name__ == "__main__":
    main()
