"""`--rewrite-golden` writes golden files anew; the difference is then for a person to read."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

GOLDEN = Path(__file__).parent / "golden"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--rewrite-golden", action="store_true", help="write tests/golden/* anew")


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """golden(name, text): `text` must be what tests/golden/<name> holds."""

    def compare(name: str, text: str) -> None:
        path = GOLDEN / name
        if request.config.getoption("--rewrite-golden"):
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        assert text == path.read_text(encoding="utf-8"), f"{name} differs; look, then --rewrite-golden"

    return compare
