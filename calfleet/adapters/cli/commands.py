"""Every command, loaded onto the one group."""

from __future__ import annotations

from calfleet.adapters.cli import bench, due, outlook, planning, registers, results, sites
from calfleet.adapters.cli.app import app

__all__ = ["app", "bench", "due", "outlook", "planning", "registers", "results", "sites"]
