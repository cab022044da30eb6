"""Every command, loaded onto the one group."""

from __future__ import annotations

from calfleet.adapters.cli import (
    bench,
    checking,
    due,
    outlook,
    planning,
    plans,
    registers,
    results,
    sites,
)
from calfleet.adapters.cli.app import app

__all__ = [
    "app",
    "bench",
    "checking",
    "due",
    "outlook",
    "planning",
    "plans",
    "registers",
    "results",
    "sites",
]
