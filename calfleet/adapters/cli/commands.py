"""Every command, loaded onto the one group."""

from __future__ import annotations

from calfleet.adapters.cli import (
    bench,
    checking,
    doubts,
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
    "doubts",
    "due",
    "outlook",
    "planning",
    "plans",
    "registers",
    "results",
    "sites",
]
