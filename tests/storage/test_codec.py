"""The contract's dataclasses survive the bench, every number exactly."""

import dataclasses
import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from fairpanel.measured import Component, Measured
from fairpanel.methods.contract import Mark, Outline, Reading, Refusal, Result
from fairpanel.storage.codec import FORM, UnreadableRecord, body_of, dumps, from_body, loads

numbers = st.floats(allow_nan=False, allow_infinity=True)
words = st.text(max_size=12)
flags = st.lists(words, max_size=3).map(tuple)
plain_data = st.recursive(
    st.none() | st.booleans() | st.integers() | numbers | words,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words.filter("~number".__ne__), inner, max_size=3),
    max_leaves=8,
)
details = st.dictionaries(words.filter("~number".__ne__), plain_data, max_size=3)
components = st.builds(Component, words, numbers, words, numbers)
measured = st.builds(Measured, numbers, st.lists(components, max_size=4).map(tuple), flags)
maybe = st.none() | numbers
pairs = st.none() | st.tuples(numbers, numbers)
readings = st.builds(
    Reading,
    row_ids=st.lists(words, max_size=3).map(tuple),
    product=words,
    specimen=words,
    picture=words,
    strip=words,
    quantity=words,
    measured=measured,
    low=maybe,
    high=maybe,
    bounded=st.booleans(),
    limits=pairs,
    flags=flags,
    detail=details,
)
results = st.builds(
    Result,
    product=words,
    method=words,
    quantity=words,
    measured=st.none() | measured,
    low=maybe,
    high=maybe,
    family_low=maybe,
    family_high=maybe,
    plates=st.integers(0, 9),
    readings=st.lists(st.integers(0, 99), max_size=3).map(tuple),
    limits=pairs,
    flags=flags,
    detail=details,
)
marks = st.builds(Mark, words, details, flags)
refusals = st.builds(Refusal, words, words, words, words)
things = st.one_of(readings, results, marks, refusals, measured)


@settings(max_examples=150, deadline=None)
@given(things)
def test_what_goes_in_comes_out(thing):
    """Every dataclass of the contract is equal to itself read back, and the text is strict JSON."""
    text = body_of(thing)
    json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    assert from_body(type(thing), text) == thing


@settings(max_examples=60, deadline=None)
@given(
    arrays.arrays(float, st.tuples(st.integers(0, 8), st.just(2))),
    st.sampled_from(["found", "given", "moved"]),
)
def test_outlines_keep_their_corners_to_the_last_bit(corners, how):
    """Not-a-number, infinities and minus zero included."""
    again = from_body(Outline, body_of(Outline("r", corners, how)))
    assert (again.row_id, again.how, again.polygon.dtype) == ("r", how, corners.dtype)
    np.testing.assert_array_equal(again.polygon, corners)
    signed = ~np.isnan(corners)
    np.testing.assert_array_equal(np.signbit(again.polygon)[signed], np.signbit(corners)[signed])


@settings(max_examples=60, deadline=None)
@given(
    arrays.arrays(
        st.sampled_from([np.float32, np.float64, np.float16, np.uint8, np.int64, np.bool_]),
        arrays.array_shapes(min_side=0, max_dims=3, max_side=4),
    )
)
def test_arrays_become_lists_of_the_same_numbers(values):
    """A float32 is a double with the same value, so nothing is lost."""
    again = np.array(loads(dumps({"tones": values}))["tones"], dtype=values.dtype).reshape(values.shape)
    np.testing.assert_array_equal(again, values)


def test_numpys_own_numbers_are_plain_ones():
    """What a calculation leaves in a detail needs no care from the method."""
    kept = loads(dumps({"a": np.float32(0.1), "n": np.int64(3), "yes": np.bool_(True), "t": (1, np.str_("x"))}))
    assert kept == {"a": float(np.float32(0.1)), "n": 3, "yes": True, "t": [1, "x"]}
    assert [type(v) for v in kept.values()] == [float, int, bool, list]


def test_not_a_number_is_kept():
    """It is written in a way that any JSON reader accepts."""
    assert dumps([math.nan, -math.inf]) == '[{"~number":"nan"},{"~number":"-inf"}]'
    assert math.isnan(loads(dumps({"x": math.nan}))["x"])


@pytest.mark.parametrize(
    "value",
    [
        {1: "a"},
        {"~number": "1"},
        b"bytes",
        {1, 2},
        1j,
        np.array([1j]),
        np.array(["2026-01-01"], "M8[D]"),
        object(),
    ],
    ids=lambda value: type(value).__name__,
)
def test_what_has_no_exact_place_is_refused(value):
    """Rather than kept as something else."""
    with pytest.raises(TypeError):
        dumps({"value": value})


def test_a_body_of_another_form_or_with_unknown_fields_is_refused():
    """Nothing that was saved is silently left out."""
    body = json.loads(body_of(Refusal("a.jpg", "1", "blank", "take another")))
    with pytest.raises(UnreadableRecord, match="form 99"):
        from_body(Refusal, json.dumps(body | {"form": 99}))
    with pytest.raises(UnreadableRecord, match="colour"):
        from_body(Refusal, json.dumps(body | {"colour": "blue"}))


def test_a_field_added_later_takes_its_default():
    """A dataclass may gain a field with a default without a new form."""
    body = json.loads(body_of(Mark("r", {"tone": 0.5}, ("clipped",))))
    del body["flags"]
    assert body["form"] == FORM
    assert from_body(Mark, json.dumps(body)) == Mark("r", {"tone": 0.5})


def test_every_field_of_the_contract_is_restored_to_its_type():
    """A tuple or nested dataclass that the codec forgot would come back as a list or a mapping."""
    m = Measured(-0.1, (Component("curve", 0.02, "sheet 1", 7.0),), ("stained",))
    reading = Reading(
        ("a", "b"), "P", "S", "p.jpg", "1", "blocked", m, -0.2, 0.1, False, (0.1, 0.2), ("x",), {"k": [1]}
    )
    result = Result("P", "uv_strip", "blocked", m, -1.0, 1.0, -2.0, 2.0, 3, (0, 2), (0.1, 0.2), ("x",), {"k": 1})
    for thing in (reading, result):
        again = from_body(type(thing), body_of(thing))
        for field in dataclasses.fields(thing):
            assert type(getattr(again, field.name)) is type(getattr(thing, field.name)), field.name
