"""Old eye scores: taking them in with the ladder they were given by, and saying what they are worth.

They keep the place they had, are marked old, and are never pooled with what is read from pictures.
"""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fairpanel.files.tables import Table, TableFaults, read_table
from fairpanel.methods.columns import Fault, columns_of, read_cells
from fairpanel.methods.uv_strip.ladder import typed
from fairpanel.methods.uv_strip.ladder.eye import chance_of_order, score_chances
from fairpanel.methods.uv_strip.ladder.judging import Judged, JudgedScore, Scored, judge
from fairpanel.methods.uv_strip.ladder.rungs import Ladder
from fairpanel.methods.uv_strip.ladder.words import STATEMENT, how_lain, luck_in_words
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import ReasonNeeded

#: Places of faults that are in neither table, or in a ladder that was not given.
OPTIONS, LADDER = "options", "--ladder"

#: Form of what is kept of one score.
FORM = 1

#: Values of blocked UV for which it is said how the ladder would score them. [%]
EXAMPLES = (0.0, 5.0, 10.0, 20.0, 40.0, 60.0, 80.0)
#: Pairs of values for which it is said how often the better one is scored higher. [%]
EXAMPLE_PAIRS = ((0.0, 5.0), (10.0, 20.0), (20.0, 40.0))


class OldScoreFaults(TableFaults):
    """Everything that is wrong with scores, ladder and options, at once."""

    def __init__(self, by_place: Mapping[str, Sequence[Fault]]) -> None:
        self.by_place = by_place
        self.name = ", ".join(by_place)
        self.faults = [f for faults in by_place.values() for f in faults]
        count = "1 fault" if len(self.faults) == 1 else f"{len(self.faults)} faults"
        lines = [
            line
            for place, faults in by_place.items()
            if faults
            for line in (f"{place}:", *(f"  {_told(f)}" for f in faults))
        ]
        ValueError.__init__(self, "\n".join([f"{count}; nothing was taken in.", *lines]))


def _told(fault: Fault) -> str:
    option = (fault.column or "").startswith("--")
    return f"{fault.column} {fault.message}" if option else str(fault)


@dataclass(frozen=True)
class OldTable:
    """One table of old scores as it stands on the bench, judged."""

    name: str
    taken: str
    judged: Judged


# ---- taking in -------------------------------------------------------------------------------------------------


def take_in_old_scores(
    bench_folder: Path,
    table_path: Path,
    *,
    ladder_path: Path | None,
    exposed: str,
    steps_under_glass: str = "",
    half_scores: str = "",
    halfway: str = "",
    amend: str = "",
) -> bool:
    """Take in a table of old scores with the ladder as it was used; says whether that was new.

    Parameters
    ----------
    bench_folder, table_path : path
        The table has the columns product, score, date and note; the last two may be left out.
    ladder_path : path or None
        A table with the columns score and minutes (or seconds), one line for each step.
    exposed, steps_under_glass, half_scores, halfway : str
        As typed: "4min"; "yes", "no", "not known"; "yes", "no"; "60". Empty where not said.
    amend : str
        The reason, where a table of that name with other scores, or another ladder, is on the bench.

    Raises
    ------
    OldScoreFaults
        Every fault of both tables and the options.
    BenchError
    """
    data = _bytes_of(table_path)
    ladder_data = None if ladder_path is None else _bytes_of(ladder_path)
    bodies = bodies_of(
        data,
        table_path.name,
        ladder_data,
        ladder_path.name if ladder_path else LADDER,
        exposed=exposed,
        steps_under_glass=steps_under_glass,
        half_scores=half_scores,
        halfway=halfway,
    )
    with Bench.open(bench_folder, writing=True, doing="taking in old scores") as bench:
        try:
            taken = bench.add_old_scores(table_name=table_path.name, table=data, bodies=bodies, reason=amend)
        except ReasonNeeded as problem:
            raise OldScoreFaults(
                {table_path.name: [Fault(None, None, "the bench holds another table of this name, or another "
                                         "ladder. If these are to replace them, say why: --amend REASON")]}
            ) from problem  # fmt: skip
    return taken is not None


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except IsADirectoryError:
        wrong = "is a folder; name the table in it"
    except FileNotFoundError:
        wrong = f"there is no such file in {path.parent}"
    except OSError as problem:
        wrong = f"cannot be opened ({problem.strerror})"
    raise OldScoreFaults({path.name: [Fault(None, None, wrong)]})


def bodies_of(
    data: bytes,
    name: str,
    ladder_data: bytes | None,
    ladder_name: str,
    *,
    exposed: str,
    steps_under_glass: str,
    half_scores: str,
    halfway: str,
) -> list[dict[str, Any]]:
    """What is kept of each score, its ladder with it.

    Raises
    ------
    OldScoreFaults
        By `name`, `ladder_name` and "options".
    """
    use, option_faults = typed.use_of(
        exposed=exposed, glass=steps_under_glass, half_scores=half_scores, halfway=halfway
    )
    scores, score_faults = _rows_of(data, name, typed.ScoreRow)
    ladder: Ladder | None = None
    ladder_faults: list[Fault] = []
    if ladder_data is None:
        option_faults.append(
            Fault(None, "--ladder", "is missing: a table with columns score and minutes, one line for each step")
        )
    else:
        rungs, ladder_faults = _rows_of(ladder_data, ladder_name, typed.RungRow)
        if not ladder_faults:
            ladder, ladder_faults = typed.ladder_of(rungs, [row for _, row in scores], use)
    if ladder is not None:
        score_faults += typed.scores_on_ladder(scores, ladder)
    if score_faults or ladder_faults or option_faults or ladder is None:
        raise OldScoreFaults({name: score_faults, f"ladder {ladder_name}": ladder_faults, OPTIONS: option_faults})
    kept = _kept_ladder(ladder)
    return [_kept(line, row, name, kept) for line, row in scores]


def _rows_of(data: bytes, name: str, row_type: type) -> tuple[list[tuple[int, Any]], list[Fault]]:
    """Rows with their lines, and all faults of the table."""
    try:
        table = read_table(data, name)
    except TableFaults as problem:
        return [], list(problem.faults)
    faults = _heading_faults(table, row_type)
    rows = []
    known = {c.name for c in columns_of(row_type)}
    for line, cells in table.lines:
        own = {_heading(h): text for h, text in cells.items() if _heading(h) in known}
        row, wrong = read_cells(row_type, own, line)
        faults += [f for f in wrong if f.column in own]
        if row is not None:
            rows.append((line, row))
    return rows, faults


def _heading(typed_heading: str) -> str:
    """Headings `minutes matched` and `seconds matched` count as `minutes` and `seconds`."""
    return typed_heading.removesuffix("_matched")


def _heading_faults(table: Table, row_type: type) -> list[Fault]:
    columns = {c.name: c for c in columns_of(row_type)}
    there = [_heading(h) for h in table.headings]
    faults = [
        Fault(1, h, f"is not a column of this table. Columns are: {', '.join(columns)}")
        for h in there
        if h not in columns
    ]
    return faults + [
        Fault(1, name, f"is missing. It holds {about.help}")
        for name, about in columns.items()
        if about.required and name not in there
    ]


def _kept_ladder(ladder: Ladder) -> dict[str, Any]:
    return {f.name: getattr(ladder, f.name) for f in dataclasses.fields(ladder)}


def _kept(line: int, row: typed.ScoreRow, table: str, ladder: Mapping[str, Any]) -> dict[str, Any]:
    low, high = row.score
    return {
        "form": FORM,
        "table": table,
        "line": line,
        "product": row.product,
        "score": [low, high],
        "date": row.date or "",
        "note": row.note or "",
        "ladder": ladder,
    }


# ---- getting them back -----------------------------------------------------------------------------------------


def old_tables(bench: Bench) -> list[OldTable]:
    """The tables of old scores that stand on a bench, judged; each by its own ladder."""
    tables: dict[str, list[Mapping[str, Any]]] = defaultdict(list)
    for one in bench.old_scores():
        tables[one.take_in_id].append(one.body)
    return [
        OldTable(bodies[0]["table"], take_in_id, judge([_scored(b) for b in bodies], _ladder(bodies[0])))
        for take_in_id, bodies in tables.items()
    ]


def load_old_tables(folder: Path) -> list[OldTable]:
    """The tables of old scores on a bench.

    Raises
    ------
    BenchError
    """
    with Bench.open(folder) as bench:
        return old_tables(bench)


def _ladder(body: Mapping[str, Any]) -> Ladder:
    kept = dict(body["ladder"])
    return Ladder(**{**kept, "scores": tuple(kept["scores"]), "seconds": tuple(kept["seconds"])})


def _scored(body: Mapping[str, Any]) -> Scored:
    value = (body["score"][0], body["score"][1])
    row = typed.ScoreRow(body["product"], value, body["date"], body["note"])
    first, last = typed.graded(row, _ladder(body))
    return Scored(body["product"], typed.printed_score(value), first, last, body["date"], body["note"], body["line"])


# ---- as plain data -----------------------------------------------------------------------------------------------


def as_json(tables: Sequence[OldTable]) -> dict[str, Any]:
    """Everything as plain data. Percent of blocked UV for values and limits, shares of 1 for chances."""
    return {"statement": STATEMENT, "tables": [_table(t) for t in tables]}


def listed(table: OldTable) -> list[dict[str, Any]]:
    """The scores of one table for a list or a file: each marked old, in its old place."""
    return [_score(j) for j in table.judged.scores]


def _table(t: OldTable) -> dict[str, Any]:
    judged = t.judged
    return {
        "table": t.name,
        "ladder": {**_kept_ladder(judged.ladder), "grades": list(judged.ladder.grades)},
        "assumed": dataclasses.asdict(judged.eye),
        "luck": [_luck(judged, i) for i in range(len(judged.luck))],
        "scores": listed(t),
        "orders": [dataclasses.asdict(o) for o in judged.orders],
        "again": [dataclasses.asdict(a) for a in judged.again],
        "scored_as": [_scored_as(judged, under_glass=u) for u in judged.ladder.readings],
    }


def _luck(judged: Judged, i: int) -> dict[str, Any]:
    one = judged.luck[i]
    return {
        "steps": how_lain(one.under_glass),
        "strips": one.strips,
        "typical": one.typical,
        "seldom_above": one.seldom_above,
        "one_above_lowest": one.one_above_lowest,
        "sentence": luck_in_words(one, judged.ladder),
        "reached": [{"score": s, "chance": float(c)} for s, c in zip(judged.ladder.grades, one.reached, strict=True)],
    }


def _score(j: JudgedScore) -> dict[str, Any]:
    s = j.scored
    return {
        "product": s.product,
        "score": s.score,
        "date": s.date,
        "note": s.note,
        "old": True,
        "verdict": j.verdict,
        "blocked": [
            {
                "steps": how_lain(r.under_glass),
                "nominal_low": r.nominal_low,
                "nominal_high": r.nominal_high,
                "low": r.low,
                "high": r.high,
                "by_luck": r.by_luck,
            }
            for r in j.ranges
        ],
    }


def _scored_as(judged: Judged, *, under_glass: bool) -> dict[str, Any]:
    chances = score_chances(judged.ladder, EXAMPLES, under_glass=under_glass, eye=judged.eye)
    pairs = [
        (a, b, chance_of_order(judged.ladder, a, b, under_glass=under_glass, eye=judged.eye)) for a, b in EXAMPLE_PAIRS
    ]
    return {
        "steps": how_lain(under_glass),
        "products": [
            {"blocked": b, "from": low, "to": high, "chances": c.tolist()}
            for b, c, (low, high) in zip(EXAMPLES, chances, middle_scores(judged, under_glass=under_glass), strict=True)
        ],
        "pairs": [
            {"less": a, "more": b, "right": right, "same": same, "wrong": wrong} for a, b, (right, same, wrong) in pairs
        ],
    }


def middle_scores(
    judged: Judged, *, under_glass: bool, blocked: Sequence[float] = EXAMPLES, share: float = 0.9
) -> list[tuple[float, float]]:
    """Scores between which products of known blocking would be given, in 90 % of cases.

    Parameters
    ----------
    blocked : sequence of float
        [%]
    """
    chances = score_chances(judged.ladder, blocked, under_glass=under_glass, eye=judged.eye)
    up_to = np.cumsum(chances, axis=1)
    tail = (1 - share) / 2
    first, last = (up_to > tail).argmax(axis=1), (up_to > 1 - tail - 1e-9).argmax(axis=1)
    return [(judged.ladder.grades[a], judged.ladder.grades[b]) for a, b in zip(first, last, strict=True)]
