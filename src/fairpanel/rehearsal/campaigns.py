"""Made campaigns: pictures with their table, and apart from them the truth.

The table is written as different people's spreadsheets write it; nothing in it, in a file's name or in the
order of anything depends on what is true of a product.
"""

from __future__ import annotations

import csv
import io
import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from fairpanel.rehearsal.scenes import MadePicture

SHORT = ("picture", "strip", "role", "seconds", "product")
FULL = (
    *SHORT,
    "kind",
    "plate",
    "paper_sheet",
    "run",
    "box",
    "place_x_mm",
    "place_y_mm",
    "relative_light",
    "lamp_on_s",
    "hours_since_rinse",
    "campaign",
    "lamp",
    "paper_lot",
    "glass_lot",
    "exposed_at",
    "pictured_at",
    "method",
    "note",
)


def generator(seed: int, *names: str | int) -> np.random.Generator:
    """Random numbers for one purpose of one campaign, whatever else is drawn for others."""
    keys = [zlib.crc32(str(name).encode()) for name in names]
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence([seed, *keys])))


@dataclass(frozen=True)
class TableForm:
    """How the table is written.

    Parameters
    ----------
    columns : tuple of str
        Names of the columns, in order; `box` is added where any row has one.
    delimiter : str
    decimal_comma : bool
        Only where the delimiter is no comma.
    mark : bool
        Begins with a byte order mark.
    minutes : bool
        Whole minutes are written as such ("4 min").
    """

    columns: tuple[str, ...] = SHORT
    delimiter: str = ","
    decimal_comma: bool = False
    mark: bool = False
    minutes: bool = False


def draw_table_form(rng: np.random.Generator, *, columns: tuple[str, ...]) -> TableForm:
    """A spreadsheet's habits at random."""
    delimiter = str(rng.choice([",", ";", "\t"], p=[0.5, 0.35, 0.15]))
    decimal_comma = delimiter == ";" and rng.random() < 0.6
    return TableForm(columns, delimiter, bool(decimal_comma), bool(rng.random() < 0.3), bool(rng.random() < 0.3))


@dataclass(frozen=True)
class MadeCampaign:
    """Pictures, table and truth of a made campaign.

    Parameters
    ----------
    name : str
        Suite or plan it was made for.
    seed : int
    pictures : list of MadePicture
    table : TableForm
    products : mapping
        Product: what its nominal film blocks. [%]
    planted : mapping
        What was planted that is no property of a single strip, for the record.
    """

    name: str
    seed: int
    pictures: list[MadePicture]
    table: TableForm = TableForm()
    products: dict[str, float] = field(default_factory=dict)
    planted: dict[str, object] = field(default_factory=dict)

    @property
    def rows(self) -> list[dict[str, str]]:
        """All rows of the table, picture after picture."""
        return [row for picture in self.pictures for row in picture.rows]

    @property
    def truth(self) -> dict:
        """What is true, as plain data: of each strip and of each product."""
        strips = [strip for picture in self.pictures for strip in picture.truth]
        plates: dict[str, list[float]] = {}
        for strip in strips:
            if "product" in strip:
                plates.setdefault(strip["product"], []).append(strip["blocked"])
        products = {
            name: {
                "blocked": self.products.get(name),
                "plates_mean": float(np.mean(values)),
                "plates": len(values),
            }
            for name, values in plates.items()
        }
        return {
            "name": self.name,
            "seed": self.seed,
            "strips": strips,
            "products": products,
            "planted": self.planted,
        }

    def table_bytes(self) -> bytes:
        """TABLE.csv as bytes."""
        return table_bytes(self.rows, self.table)

    def write(self, folder: Path, *, truth_file: Path | None = None) -> Path:
        """Write pictures and TABLE.csv to a folder, and the truth to a file elsewhere.

        Returns
        -------
        Path
            The table.

        Raises
        ------
        ValueError
            The truth would lie in the folder, beside the table.
        """
        folder = Path(folder)
        if truth_file is not None and folder.resolve() in Path(truth_file).resolve().parents:
            raise ValueError(
                f"The truth may not lie beside the table: {truth_file} is inside {folder}. Put it elsewhere."
            )
        folder.mkdir(parents=True, exist_ok=True)
        for picture in self.pictures:
            (folder / picture.name).write_bytes(picture.data)
        table = folder / "TABLE.csv"
        table.write_bytes(self.table_bytes())
        if truth_file is not None:
            Path(truth_file).parent.mkdir(parents=True, exist_ok=True)
            Path(truth_file).write_text(json.dumps(self.truth, indent=1, ensure_ascii=False), encoding="utf-8")
        return table


def table_bytes(rows: Sequence[dict[str, str]], form: TableForm) -> bytes:
    """The table as a spreadsheet writes it."""
    columns = list(form.columns)
    if "box" not in columns and any(row.get("box") for row in rows):
        columns.append("box")
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=form.delimiter, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(column, row.get(column, ""), form) for column in columns])
    return out.getvalue().encode("utf-8-sig" if form.mark else "utf-8")


_NUMBERS = {"seconds", "place_x_mm", "place_y_mm", "relative_light", "lamp_on_s", "hours_since_rinse"}


def _cell(column: str, value: str, form: TableForm) -> str:
    if column == "seconds" and form.minutes and value and float(value) >= 60 and float(value) % 60 == 0:
        return f"{float(value) / 60:.0f} min"
    if column in _NUMBERS and form.decimal_comma:
        return value.replace(".", ",")
    return value
