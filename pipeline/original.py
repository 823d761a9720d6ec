"""A file as it came in."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cached_property
from io import BufferedReader
from pathlib import Path

from .errors import InputProblem


@dataclass(frozen=True)
class Original:
    """One file, read-only. `name` is how it came in; `path` is where its bytes are now."""

    path: Path
    name: str
    size: int

    @classmethod
    def at(cls, path: Path) -> Original:
        """Look at `path`. Raises InputProblem when it is no readable file."""
        try:
            if path.is_dir():
                raise InputProblem("is a folder", "give the files in it, or its name to take them all", path=path)
            if not path.exists():
                raise InputProblem("no such file", "check the name", path=path)
            if not path.is_file():
                raise InputProblem("is not a plain file", "copy its content to a file first", path=path)
            original = cls(path, path.name, path.stat().st_size)
            original.head(1)
            return original
        except PermissionError as problem:
            raise InputProblem("no permission to read it", "change the file's permissions", path=path) from problem

    def open(self) -> BufferedReader:
        """A fresh binary stream from the first byte."""
        return self.path.open("rb")

    def head(self, size: int = 65536) -> bytes:
        """The first `size` bytes, for recognisers."""
        with self.open() as stream:
            return stream.read(size)

    @cached_property
    def sha256(self) -> str:
        """SHA-256 of all bytes, in hexadecimal: the identity of this original."""
        with self.open() as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
