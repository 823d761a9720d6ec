"""What can go wrong, and what to do about it.

    Problem                 anything a person can cause or mend; has `hint`
    ├── UsageProblem        the command was wrong
    ├── InputProblem        a file that came in is wrong; names file and line
    └── PluginProblem       a plugin broke; names the plugin

The archive and the questions have their own (`rangebook.archive.BookProblem`,
`rangebook.queries.RecipeProblem`), because nothing there imports this folder.
"""

from __future__ import annotations

from pathlib import Path


class Problem(Exception):
    """Something a person can mend. `str()` says what and where, `hint` says what to do."""

    def __init__(self, what: str, hint: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.hint = hint


class UsageProblem(Problem):
    """The command or an option was wrong."""


class InputProblem(Problem):
    """A file that came in cannot be used. Nothing of it is kept.

    `path` and `line` (counted from 1) say where; both show in the message.
    """

    def __init__(self, what: str, hint: str = "", *, path: Path | str | None = None, line: int | None = None) -> None:
        self.path = path
        self.line = line
        place = "" if path is None else f"{path}: " if line is None else f"{path}:{line}: "
        super().__init__(place + what, hint)


class PluginProblem(Problem):
    """A plugin raised or broke its contract; the message names it and its version."""
