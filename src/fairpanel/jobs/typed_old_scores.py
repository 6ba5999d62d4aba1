"""Old scores typed or pasted on a page: lines as people write them, every fault at its field, undo."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from fairpanel.files.tables import SEPARATORS, write_table
from fairpanel.jobs.blinding import veil_of
from fairpanel.jobs.old_scores import OPTIONS, OldScoreFaults, bodies_of
from fairpanel.methods.columns import Fault
from fairpanel.methods.uv_strip.ladder import typed as ladder_typed
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import NotOnBench, ReasonNeeded
from fairpanel.storage.old_scores import OldScoreTable

_FIELD_OF = {
    ladder_typed.EXPOSED: "exposed",
    ladder_typed.GLASS: "steps_under_glass",
    ladder_typed.HALF_SCORES: "half_scores",
    ladder_typed.HALFWAY: "halfway",
}

#: What the fields are called on the page, for faults that name an option.
LABELS = {
    "name": "Name of this table",
    "ladder": "The ladder",
    "scores": "The scores",
    "exposed": "Strips exposed",
    "steps_under_glass": "Steps under glass",
    "half_scores": "Half scores",
    "halfway": "Half-way exposure of the paper",
    "reason": "Why it changes",
}


@dataclass(frozen=True)
class Typed:
    """The form as it was filled in; `follows` is the take-in it was filled from, if it was."""

    name: str = ""
    ladder: str = ""
    scores: str = ""
    exposed: str = ""
    steps_under_glass: str = "not known"
    half_scores: str = ""
    halfway: str = ""
    reason: str = ""
    follows: str = ""


@dataclass
class Wrong(ValueError):
    """Everything that is wrong with a form, by its fields; nothing was taken in."""

    by_field: Mapping[str, Sequence[str]] = field(default_factory=dict)

    def __str__(self) -> str:
        return "; ".join(f"{LABELS[name]}: {text}" for name, texts in self.by_field.items() for text in texts)


def take_in_typed(folder: Path, typed: Typed) -> bool:
    """Take in what was typed; says whether it was new.

    Raises
    ------
    Wrong
        Every fault, by field.
    AlreadyReplaced
        The table was changed in another window meanwhile.
    BenchError
    """
    scores, score_shift = _score_table(typed.scores)
    ladder, ladder_shift = _ladder_table(typed.ladder)
    wrong: dict[str, list[str]] = defaultdict(list)
    if not typed.name:
        wrong["name"].append("Give these scores a name, as “notebook 2023”.")
    bodies: list[dict[str, Any]] = []
    try:
        bodies = bodies_of(
            scores.encode(),
            typed.name or "old scores",
            ladder.encode(),
            "ladder",
            exposed=typed.exposed,
            steps_under_glass=typed.steps_under_glass,
            half_scores=typed.half_scores,
            halfway=typed.halfway,
        )
    except OldScoreFaults as problem:
        for place, faults in problem.by_place.items():
            name = {OPTIONS: "", "ladder ladder": "ladder"}.get(place, "scores")
            for fault in faults:
                at = name or _FIELD_OF[fault.column or ""]
                shift = {"ladder": ladder_shift, "scores": score_shift}.get(at, 0)
                wrong[at].append(_told(fault, at, shift))
    if wrong:
        raise Wrong(dict(wrong))
    with Bench.open(folder, writing=True, doing="taking in old scores") as bench:
        veil = veil_of(bench)
        bodies = [{**body, "product": veil.uncovered(body["product"])} for body in bodies]
        there = _standing(bench, typed.name)
        reason = typed.reason or ("taken in anew" if there and not bench.old_scores_of(there.id) else "")
        try:
            taken = bench.add_old_scores(
                table_name=typed.name, table=scores.encode(), bodies=bodies, reason=reason, follows=typed.follows
            )
        except ReasonNeeded:
            said = f"The bench holds other scores, or another ladder, as “{typed.name}”. If these are to replace them"
            raise Wrong({"reason": [f"{said}, say why; the old ones are kept. Or give another name."]}) from None
    return taken is not None


def as_typed(folder: Path, take_in_id: str) -> Typed:
    """A table that stands, as the form would have been filled in.

    Raises
    ------
    NotOnBench
        It does not stand (any more).
    """
    with Bench.open(folder) as bench:
        table = next((t for t in bench.old_score_tables() if t.id == take_in_id), None)
        bodies = [one.body for one in bench.old_scores_of(take_in_id)]
    if table is None or not bodies:
        raise NotOnBench("This table of old scores was changed or taken off meanwhile. Look at it as it stands now.")
    ladder = bodies[0]["ladder"]
    rungs = zip(ladder["scores"], ladder["seconds"], strict=True)
    return Typed(
        table.name,
        "\n".join(f"{score:g} = {_time(seconds)}" for score, seconds in rungs),
        "\n".join(_line(body) for body in bodies),
        _time(ladder["exposed_s"]),
        ladder["glass"],
        "yes" if ladder["half_scores"] else "no",
        "" if ladder["halfway_s"] is None else f"{ladder['halfway_s']:g} s",
        "",
        take_in_id,
    )


def undo(folder: Path, take_in_id: str) -> str:
    """Bring back what a table replaced, or take it off the bench if it replaced nothing; says which was done.

    Nothing is deleted: it is one more take-in, which can be undone in its turn.

    Raises
    ------
    NotOnBench, AlreadyReplaced, BenchError
    """
    with Bench.open(folder, writing=True, doing="undoing a change of old scores") as bench:
        table = next((t for t in bench.old_score_tables() if t.id == take_in_id), None)
        if table is None:
            raise NotOnBench("This table of old scores was changed meanwhile. Look at it as it stands now.")
        former = [one.body for one in bench.old_scores_of(table.replaces)] if table.replaces else []
        done = "put back as it was" if former else "taken off"
        bench.add_old_scores(
            table_name=table.name, table=_table(former), bodies=former, reason=f"undone: {done}", follows=take_in_id
        )
    return done


def taken_off(folder: Path) -> list[OldScoreTable]:
    """Tables that were taken off the bench again and can be put back."""
    with Bench.open(folder) as bench:
        return [t for t in bench.old_score_tables() if t.replaces and not bench.old_scores_of(t.id)]


def _standing(bench: Bench, name: str) -> OldScoreTable | None:
    return next((t for t in bench.old_score_tables() if t.name == name), None)


# ---- lines as people write them ----------------------------------------------------------------------------------


def _ladder_table(text: str) -> tuple[str, int]:
    """The ladder as a table with headings, and by how many its line numbers are larger than those typed.

    >>> _ladder_table("0 = 4 min\\n0,5 3\\n1, 2 min\\n2,3 min\\n4 0")
    ('score\\tminutes\\n0\\t4 min\\n0,5\\t3\\n1\\t2 min\\n2\\t3 min\\n4\\t0', 1)
    """
    if re.match(r"\s*\"?score", text, re.IGNORECASE) or not text.strip():
        return text, 0
    return "\n".join(["score\tminutes", *(_rung(line) for line in text.splitlines())]), 1


def _rung(line: str) -> str:
    """One step: split at a tab, semicolon or equals sign, else at a blank before a number, else at a comma."""
    for separator in (r"\s*[\t;=:]\s*", r"\s*,\s+", r"\s+(?=\d)", r"\s*,\s*"):
        parts = re.split(separator, line.strip(), maxsplit=1)
        if len(parts) == 2:
            return "\t".join(parts)
    return line.strip()


def _score_table(text: str) -> tuple[str, int]:
    """The scores as a table with headings, and by how many its line numbers are larger than those typed.

    >>> _score_table("Paste wax A; 0-2; 2023")
    ('product;score;date;note\\nPaste wax A; 0-2; 2023', 1)
    """
    names = [f.name for f in fields(ladder_typed.ScoreRow)]
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = next((s for s in ("\t", ";", ",") if s in first), max(SEPARATORS, key=text.count))
    if not first or {c.strip().strip('"').casefold() for c in first.split(separator)} & {"product", "score"}:
        return text, 0
    return f"{separator.join(names)}\n{text}", 1


def _told(fault: Fault, at: str, shift: int) -> str:
    """A fault in the words of the page: lines as typed, fields instead of options."""
    words = re.sub(r"\brow (\d+)", lambda m: f"line {int(m[1]) - shift}", fault.message)
    words = words.replace("`fairpanel take-in --example` writes one to start from", "write one line for each")
    for option, name in _FIELD_OF.items():
        words = words.replace(f"Write {option} yes", f"Choose “yes” at “{LABELS[name]}”")
        words = words.replace(option, f"“{LABELS[name]}”")
    column = fault.column if fault.column and at in ("ladder", "scores") else ""
    where = f"Line {fault.row - shift}: " if fault.row and fault.row > shift else ""
    told = f"{where}{column + ' ' if column else ''}{words}".strip()
    return told[0].upper() + told[1:] + ("" if told.endswith(".") else ".")


def _time(seconds: float) -> str:
    return f"{seconds / 60:g} min" if seconds % 15 == 0 else f"{seconds:g} s"


def _line(body: Mapping[str, Any]) -> str:
    low, high = body["score"]
    cells = [body["product"], ladder_typed.printed_score((low, high)), body["date"], body["note"]]
    while not cells[-1]:
        cells.pop()
    return "; ".join(f'"{c}"' if ";" in c else c for c in cells)


def _table(bodies: Sequence[Mapping[str, Any]]) -> bytes:
    names = [f.name for f in fields(ladder_typed.ScoreRow)]
    rows = [{**{n: str(b[n]) for n in names}, "score": ladder_typed.printed_score(tuple(b["score"]))} for b in bodies]
    return write_table(names, rows)
