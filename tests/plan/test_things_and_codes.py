"""Fields of things, with their faults; and blind codes."""

from __future__ import annotations

import pytest

from fairpanel.plan.codes import codes_of
from fairpanel.plan.things import KINDS, as_typed, faults_of, kind_of


def test_every_fault_stands_at_its_field():
    """A plate with a bad mass, a bad date and a word that is none of the choices."""
    typed = {"film_mg": "-3", "coated_at": "yesterday", "coated": "upside down", "product": "Wax A"}
    body, wrong = faults_of(kind_of("specimen"), typed)
    assert set(wrong) == {"film_mg", "coated_at", "coated"} and body == {"product": "Wax A"}
    assert "on one half" in wrong["coated"] and "2026-02-03" in wrong["coated_at"]
    _, wrong = faults_of(kind_of("lot"), {})
    assert set(wrong) == {"product"}


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.noun)
def test_the_examples_can_be_entered(kind):
    """What is shown as an example has no fault, and comes back into the form as it was kept."""
    body, wrong = faults_of(kind, {c.name: c.example for c in kind.columns})
    assert wrong == {}
    again, wrong = faults_of(kind, as_typed(kind, body))
    assert (again, wrong) == (body, {})


@pytest.mark.parametrize(("typed", "kept"), [("0, 1, 2 min", "0, 60, 120"), ("8 s; 15 s", "8, 15")])
def test_times_of_steps(typed, kept):
    """One unit at the end serves all."""
    assert faults_of(kind_of("run"), {"steps": typed})[0] == {"steps": kept}


@pytest.mark.parametrize("typed", ["8, 0", "8, 8", "soon", "1, , x"])
def test_times_that_make_no_sense(typed):
    """They must rise."""
    assert "steps" in faults_of(kind_of("run"), {"steps": typed})[1]


def test_codes_stay_when_products_are_added():
    """Every code once; those given before do not change; another salt gives others."""
    keys = [f"id{i}" for i in range(2000)]
    few, many = codes_of(keys[:500], salt="s"), codes_of(keys, salt="s")
    assert len(set(many.values())) == 2000 and few.items() <= many.items()
    assert codes_of(keys[:1], salt="t") != codes_of(keys[:1], salt="s")
    assert min(map(len, many.values())) >= 4 and not set("".join(many.values())) & set("AEIOUYLQSZ01")
