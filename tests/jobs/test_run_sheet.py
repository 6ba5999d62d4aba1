"""A run as it happens: cautions before steps, events as records, facts for rows, what is due."""

from __future__ import annotations

import pytest

from fairpanel.jobs.due import due
from fairpanel.jobs.entering import Conflict, Faulty, enter
from fairpanel.jobs.run_sheet import (
    EVENTS,
    CautionFirst,
    cautions_of,
    facts_of,
    move_event,
    record,
    rows_of,
    sheet,
    strike_event,
)
from fairpanel.methods import all_methods
from fairpanel.methods.uv_strip.cautions import ENDING
from fairpanel.plan.things import kind_of

#: 2026-02-03 14:00 UTC. [s]
T0 = 1770127200.0


class Clock:
    """A clock that is set by hand."""

    def __init__(self):
        self.at = T0

    def __call__(self):
        return self.at


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def run(bench):
    return enter(
        bench,
        kind_of("run"),
        {"name": "3", "lamp": "L2", "strips": "S1, S2", "exposure_s": "30", "steps": "0, 8, 15, 30",
         "campaign": "spring", "paper_sheet": "A7-1"},
    )  # fmt: skip


@pytest.fixture
def did(bench, run, clock):
    """`did(seconds, kind, ...)`: the clock is set and something recorded."""

    def record_(seconds, kind, **typed):
        clock.at = T0 + seconds
        return record(bench, run, {"kind": kind, **typed}, now=clock)[0]

    return record_


def _read_all(bench, run, did, at=0):
    for caution in {c.step for found in sheet(bench, run).to_read.values() for c in found}:
        did(at, "caution", text=caution)


# ---- cautions ----------------------------------------------------------------------------------------------------


def test_nothing_hazardous_before_its_caution(bench, run, did):
    """Lamp, exposure, card and rinse each wait for the caution, once for each run."""
    for kind in ("lamp on", "begun", "step", "rinsed"):
        with pytest.raises(CautionFirst, match="must be read"):
            did(0, kind, how="card", step="1")
    did(0, "caution", text="switch the lamp on")
    did(1, "lamp on")
    with pytest.raises(CautionFirst, match="begin the exposure"):
        did(2, "begun", how="card")
    with pytest.raises(Faulty):
        did(3, "caution", text="no such step")
    assert [e.kind for e in sheet(bench, run).events] == ["caution", "lamp on"]


#: What the caution on each step must at least speak of: the trade's list of hazards, common practice, no source.
HAZARDS = {
    "coat": ("solvents", "extraction", "gloves", "flame", "glass edges"),
    "lamp": ("eyes and skin", "glasses", "sleeves", "children and animals", "hot", "no plastic", "nothing flammable",
             "never unattended", "cracked lamp", "mercury"),
    "expose": ("face and hands out", "nothing flammable near", "no plastic housing", "never unattended"),
    "card": ("face and hands out", "glasses", "long handle"),
    "rinse": ("let the glass cool", "hands dry before mains", "no acid", "no bleach", "drain"),
    "sun": ("never look at the sun", "cover skin"),
}  # fmt: skip


@pytest.mark.parametrize("step", HAZARDS)
def test_every_hazard_has_its_caution(step):
    """Each hazardous step of the strip method, in words, with the ending that defers to others."""
    found = [c for c in all_methods()["uv_strip"].cautions if step in c.before]
    text = " ".join(c.text for c in found).casefold()
    assert found and all(words in text for words in HAZARDS[step])
    assert all(c.text.endswith(ENDING) for c in found)
    assert ENDING == "Labels, safety sheets, local codes and licensed trades come first."


def test_every_caution_stands_before_something():
    """None of an installed method is only decoration; all are on the printed card."""
    for method in all_methods().values():
        for caution in method.cautions:
            assert set(caution.before) & set(HAZARDS), f"{method.name}: {caution.step} stands before no step"


def test_the_printed_card_has_them_all(bench, run):
    """Everything that would be asked on the sheet, and coating."""
    made = sheet(bench, run)
    asked = {c for found in made.to_read.values() for c in found}
    assert asked < set(cautions_of(made.run)) and len(asked) == 4


def test_the_sun_has_its_own(bench):
    """No lamp: never look at the sun."""
    id = enter(bench, kind_of("run"), {"name": "sun", "light": "sun"})
    assert [c.step for c in sheet(bench, id).to_read["begun"]] == ["expose in the sun"]


# ---- what happens ------------------------------------------------------------------------------------------------


def test_a_whole_run(bench, run, did, clock):
    """From the lamp to the rows: 905 s on, a step 2 s late, and 31 s in all."""
    _read_all(bench, run, did)
    did(0, "lamp on")
    did(905, "begun", how="card")
    did(913, "step", step="1")
    did(922, "step", step="2")
    did(936, "ended", how="card")
    did(1000, "rinsed", strips="S1, steps")
    made = sheet(bench, run, now=clock)
    assert [s.got for s in made.steps] == [0, 8, 17, 31] and made.lit_s == 31
    assert [s.ready_at for s in made.strips] == [T0 + 1000 + 86400, None, T0 + 1000 + 86400]
    assert facts_of(made) == {"run": "3", "campaign": "spring", "lamp": "L2", "paper_sheet": "A7-1",
                              "lamp_on_s": "905", "exposed_at": "2026-02-03T14:15:05+00:00"}  # fmt: skip
    rows = rows_of(made)
    got = [("S1", "31.0"), ("S2", "31.0"), *(("steps", t) for t in ("0.0", "8.0", "17.0", "31.0"))]
    assert [(r["strip"], r["seconds"]) for r in rows] == got


def test_what_happened_earlier_can_be_said_later(bench, run, did, clock):
    """A hand was not free: the step was 4 s ago, or is put right afterwards; taking it back keeps its record."""
    _read_all(bench, run, did)
    did(0, "begun", how="lamp moved")
    id = did(20, "step", step="1", ago="4 s")
    assert sheet(bench, run, now=clock).steps[1].got == 16
    move_event(bench, id, later_s=-3, reason="counted aloud")
    assert sheet(bench, run, now=clock).steps[1].got == 13
    with pytest.raises(Conflict):
        strike_event(bench, id, reason="other window")
    newest = next(e.id for e in sheet(bench, run).events if e.kind == "step")
    strike_event(bench, newest, reason="it never moved")
    assert not sheet(bench, run, now=clock).steps[1].reached


@pytest.mark.parametrize(
    ("typed", "field"),
    [({"kind": "dance"}, "kind"), ({"kind": "begun", "how": "magic"}, "how"),
     ({"kind": "ended", "how": "card"}, "kind"), ({"kind": "step", "step": "9"}, "step"),
     ({"kind": "step", "step": "²"}, "step"),
     ({"kind": "lamp height", "value": "-1"}, "value"), ({"kind": "rinsed", "strips": "S9"}, "strips"),
     ({"kind": "lamp on", "ago": "soon"}, "ago"), ({"kind": "note"}, "text")],
)  # fmt: skip
def test_faults_stand_at_their_fields(bench, run, did, typed, field):
    """Nothing is recorded."""
    _read_all(bench, run, did)
    before = len(sheet(bench, run).events)
    with pytest.raises(Faulty) as told:
        did(5, **typed)
    assert set(told.value.wrong) == {field} and len(sheet(bench, run).events) == before
    assert set(EVENTS) >= {typed["kind"]} - {"dance"}


# ---- due ---------------------------------------------------------------------------------------------------------


def _due(bench, clock):
    return [(d.what if d.now else d.waiting) for d in due(bench, now=clock)]


def test_what_a_run_waits_for(bench, run, did, clock):
    """Warm-up, end of exposure, rinse, dry-down: one after the other."""
    _read_all(bench, run, did)
    did(0, "lamp on")
    assert _due(bench, clock) == ["Run 3: the lamp warms up"]
    clock.at = T0 + 900
    assert _due(bench, clock) == ["Run 3: the lamp is steady, the exposure can begin"]
    did(900, "begun", how="card")
    assert _due(bench, clock) == ["Run 3: exposing"]
    clock.at = T0 + 931
    assert _due(bench, clock) == ["Run 3: end the exposure"]
    did(932, "ended", how="card")
    assert _due(bench, clock) == ["Run 3: rinse strips S1, S2 and the step strip"]
    did(1000, "rinsed")
    assert _due(bench, clock) == ["Run 3: strips S1, S2 and the step strip drying down"]
    clock.at = T0 + 1000 + 86400
    assert _due(bench, clock) == ["Run 3: strips S1, S2 and the step strip ready to be read"]


def test_plates_lamps_and_washes(bench, clock):
    """Cured by their own time, in the bench's zone; checks by days; check-points by washes."""
    enter(bench, kind_of("specimen"), {"name": "P1", "coated_at": "2026-02-02 15:00", "cure_h": "24"}, cautioned=True)
    enter(bench, kind_of("lamp"), {"name": "L9", "checked_at": "2026-01-01", "check_after_days": "30"})
    enter(bench, kind_of("campaign"), {"name": "w", "check_points": "0, 5, 10", "washes_done": "7", "washes_read": "0"})
    assert _due(bench, clock) == ["Lamp L9: check its output", "Campaign w: check-point of 5 washes is to be read",
                                  "Plate P1 cures"]  # fmt: skip
    clock.at = T0 + 3600
    assert "Plate P1 is cured" in _due(bench, clock)


def test_a_lamp_by_its_hours(bench, run, did, clock):
    """Its light is added up over all its runs."""
    enter(bench, kind_of("lamp"), {"name": "L9", "check_after_h": "2"})
    other = enter(bench, kind_of("run"), {"name": "4", "lamp": "L9"})
    record(bench, other, {"kind": "caution", "text": "switch the lamp on"}, now=clock)
    record(bench, other, {"kind": "lamp on"}, now=clock)
    clock.at = T0 + 7100
    assert not any("L9: check" in words for words in _due(bench, clock))
    clock.at = T0 + 7200
    assert any("it has shone 2.0 h" in words for words in _due(bench, clock))
