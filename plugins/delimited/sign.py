"""Which way a file counts its current, where nobody says.

Under charge a pack's voltage rises, under load it sags (its resistance is positive). So the steps of voltage and
current from row to row mostly go the same way when positive current charges, and opposite ways when it discharges.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import pyarrow.compute as pc

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.reading import Finding, Floats, Item, Rows

CHARGE, DISCHARGE = "charge-positive", "discharge-positive"
MOST_HELD = 64 << 20  # bytes of rows held back while the evidence is not clear
_CLEAR = 0.3  # how far the share of steps that go the same way must be from half and half, of 1
_SURE = 3.0  # and how many standard deviations of a fair coin that must be
_STEP = 0.02  # steps of current below this share of the largest currents are noise


@dataclass
class Evidence:
    """How many steps of voltage and current go the same way, and how many opposite ways.

    Counting ways rather than adding products keeps one wild value from outweighing a whole drive.
    """

    same: int = 0
    opposite: int = 0
    largest: float = 0.0
    before: tuple[float, float] = (np.nan, np.nan)

    def add(self, volt: Floats, ampere: Floats) -> None:
        """Take in further rows (at least one) in file order; NaN stands for no value."""
        du = np.diff(volt, prepend=self.before[0])
        di = np.diff(ampere, prepend=self.before[1])
        self.before = (float(volt[-1]), float(ampere[-1]))
        size = np.abs(ampere[np.isfinite(ampere)])
        self.largest = max(self.largest, float(np.quantile(size, 0.999)) if len(size) else 0.0)
        ways = np.sign(du) * np.sign(di)
        with np.errstate(invalid="ignore"):
            ways = ways[np.abs(di) > _STEP * self.largest]
        self.same += int(np.count_nonzero(ways > 0))
        self.opposite += int(np.count_nonzero(ways < 0))

    @property
    def verdict(self) -> str:
        """The sign that the steps show, "" while they show none clearly."""
        steps, lead = self.same + self.opposite, abs(self.same - self.opposite)
        if not steps or lead < _CLEAR * steps or lead < _SURE * np.sqrt(steps):
            return ""
        return CHARGE if self.same > self.opposite else DISCHARGE


@dataclass
class Signs:
    """Turns the current of a file's samples so that positive charges the pack.

    said: what the map or the names' definition says, "" when nobody says. Afterwards `decided` holds what was
    gone by.
    """

    said: str
    decided: str = ""
    evidence: Evidence = field(default_factory=Evidence)

    def turned(self, items: Iterator[Item]) -> Iterator[Item]:
        """`items` with the current of samples turned. Holds samples back until the sign is clear.

        Raises InputProblem when the whole file contradicts what its start seemed to show.
        """
        self.decided = self.said
        held: list[Rows] = []
        for item in items:
            if not (isinstance(item, Rows) and item.table == "samples"):
                yield item
                continue
            self._look(item)
            held.append(item)
            if not self.decided:
                self.decided = self.evidence.verdict or (CHARGE if _size(held) > MOST_HELD else "")
            if self.decided:
                yield from map(self._turn, held)
                held.clear()
        self.decided = self.decided or CHARGE
        yield from map(self._turn, held)
        yield from self._findings()

    def _look(self, rows: Rows) -> None:
        volt, ampere = (rows.batch.column(name) for name in ("voltage_volt", "current_ampere"))
        if volt.null_count < len(volt) and ampere.null_count < len(ampere):
            self.evidence.add(volt.to_numpy(zero_copy_only=False), ampere.to_numpy(zero_copy_only=False))

    def _turn(self, rows: Rows) -> Rows:
        if self.decided == CHARGE:
            return rows
        place = rows.batch.schema.get_field_index("current_ampere")
        turned = pc.negate(rows.batch.column(place))
        return replace(rows, batch=rows.batch.set_column(place, rows.batch.schema.field(place), turned))

    def _findings(self) -> Iterator[Finding]:
        shown = self.evidence.verdict
        if self.said and shown and shown != self.said:
            words = f"current is taken as {self.said}, as said, but the voltage moves as if it were {shown}"
            yield Finding("sign-contradicted", "warning", words)
        elif not self.said and not shown:
            words = "nothing tells whether positive current charges or discharges: taken as charging; say it in a map"
            yield Finding("sign-unknown", "warning", words)
        elif not self.said and shown != self.decided:
            raise InputProblem(
                f"the current looked {self.decided} at first, and {shown} over the whole file",
                'say it in a map: `sign = "charge-positive"` or `sign = "discharge-positive"`',
            )
        elif not self.said:
            way = "rises" if shown == CHARGE else "sags"
            words = f"current is {shown}: the voltage {way} when it rises"
            yield Finding("sign-decided", "note", words)


def _size(held: list[Rows]) -> int:
    return sum(rows.batch.nbytes for rows in held)
