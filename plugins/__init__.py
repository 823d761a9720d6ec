"""Input plugins: one module or folder for each kind of original. They use the hooks everybody else uses."""

from __future__ import annotations

BUILTIN = ("rangebook.plugins.delimited", "rangebook.plugins.gpx", "rangebook.plugins.sheet")
"""Modules of the readers that come with the program, in the order they are asked."""
