"""What can be wrong with a book.

    BookProblem             no book, a newer one, a damaged one, a full disk ...; has `hint`

It is this folder's own, because nothing here imports the rest of the project.
"""

from __future__ import annotations

import errno
from pathlib import Path

AGAIN = "run the same command again; `rangebook check` shows the state of the book"

_HINTS = {
    errno.ENOSPC: "free some space, then run the same command again; everything the book held is still held",
    errno.EDQUOT: "free some of your quota, then run the same command again; everything the book held is still held",
    errno.EFBIG: "raise the limit on the size of files, then run the same command again",
    errno.EACCES: "change the permissions of the folder, or run as the user who owns it",
    errno.EPERM: "change the permissions of the folder, or run as the user who owns it",
    errno.EROFS: "the disk is mounted read-only: mount it for writing",
    errno.EMFILE: "raise the limit on open files (`ulimit -n`), then run the same command again",
    errno.EIO: "the disk reports an error: copy the book to another disk, then run `rangebook check` on the copy",
}


class BookProblem(Exception):
    """Something wrong with a book. `str()` says what and where, `hint` says what to do."""

    def __init__(self, what: str, hint: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.hint = hint


def of_system(problem: OSError, doing: str, path: Path) -> BookProblem:
    """The BookProblem for a failed call of the operating system on `path`."""
    said = (problem.strerror or str(problem)).lower()
    return BookProblem(f"{path}: cannot {doing}: {said}", _HINTS.get(problem.errno or 0, AGAIN))
