"""Rehearse: a plan is changed, tried behind the page, stopped or shown; the numbers are the job's own."""

from __future__ import annotations

import re
import time
from html import unescape

import pytest

from fairpanel.web import plan_form, work

#: One product on one plate, tried once: two seconds.
SMALL = plan_form.START | {"products": "1", "plates": "1", "repeats": "1"}


def wait(client, address: str) -> None:
    """Until the work behind an address has ended."""
    piece = client.app.state.work.piece(address.rpartition("=")[2])
    for _ in range(600):
        if not piece.going:
            return
        time.sleep(0.05)
    raise AssertionError("it never ended")


def test_a_form_becomes_the_plan_that_was_meant():
    """Every field reaches the plan; times with and without units, decimal commas."""
    typed = plan_form.START | {
        "products": "4", "plates": "2", "sheets": "1", "exposure": "1; 4 min", "steps": "0,1,2,3,4min",
        "coated": "whole", "camera": "phone", "half_way": "1:02", "film_spread": "8,5", "lamp_drift": "3 %",
        "paper": "brush", "repeats": "7",
    }  # fmt: skip
    asked = plan_form.asked(typed)
    plan = asked.plan
    assert asked.repeats == 7 and not asked.wrong
    assert (plan.products, plan.plates, plan.sheets, plan.camera, plan.brushed) == (4, 2, 1, "phone", True)
    assert (plan.seconds, plan.step_seconds) == ((60.0, 240.0), (0.0, 60.0, 120.0, 180.0, 240.0))
    assert (plan.half_plates, plan.half_seconds, plan.film_cv, plan.lamp_drift) == (False, 62.0, 0.085, 0.03)


def test_the_form_starts_with_the_plan_of_the_command():
    """What `fairpanel rehearse` does without options."""
    from fairpanel.commands.rehearse import command

    context = command.make_context("rehearse", [])
    plan = plan_form.asked(plan_form.START).plan
    assert plan.products == context.params["products"] and plan.plates == context.params["plates"]
    assert ",".join(f"{t:g}" for t in plan.step_seconds) == context.params["steps"]
    assert f"{plan.seconds[0]:g}" == context.params["exposure"]
    assert 100 * plan.lamp_drift == context.params["lamp_drift"] and 100 * plan.film_cv == context.params["film_spread"]


def test_the_lamps_drift_reaches_the_made_campaign():
    """More drift between exposures, other pictures: the plan's own field decides it."""
    from dataclasses import replace

    from fairpanel.rehearsal.plan import made_campaign

    plan = plan_form.asked(SMALL).plan
    calm, same, wild = (made_campaign(replace(plan, lamp_drift=d), 5).pictures[0].data for d in (0.01, 0.01, 0.2))
    assert calm == same != wild


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [("products", "0", "from 1 to 24"), ("plates", "many", "from 1 to 12"), ("exposure", "soon", "is not a time"),
     ("exposure", "", "at least one time"), ("steps", "1,,2", "is not a time"),
     ("lamp_drift", "-1", "from 0 to 50"), ("repeats", "1000000", "from 1 to 30"),
     ("film_spread", "nan", "from 0 to 60"), ("camera", "<b>", "Choose one"), ("products", "²", "from 1 to 24")],
)  # fmt: skip
def test_every_fault_stands_at_its_field(client, field, value, words):
    """What was typed is still there, as text; nothing is begun."""
    told = client.post("/rehearse/try", data=SMALL | {field: value})
    assert told.status_code == 422 and "1 field to put right" in told.text
    at_field = re.search(rf'<span class="wrong" id="w-{field}">([^<]*)</span>', told.text)[1]
    assert words in unescape(at_field)
    assert re.search(rf'id="f-{field}"[^>]*aria-invalid="true" aria-describedby="[^"]*w-{field}"', told.text)
    assert "<b>" not in told.text and client.app.state.work.pieces() == []


def test_what_only_together_is_wrong_is_told(client):
    """More paper sheets than plates."""
    told = client.post("/rehearse/try", data=SMALL | {"sheets": "3"})
    assert told.status_code == 422 and "3 paper sheets for 1 plates" in told.text


def test_it_shows_what_the_job_found(client):
    """The numbers of the job as it was asked are the numbers on the page; the form keeps the plan to be changed."""
    going = client.post("/rehearse/try", data=SMALL | {"lamp_drift": "2"}, follow_redirects=False)
    assert going.status_code == 303
    assert "Change the plan" in client.get(going.headers["location"]).text
    wait(client, going.headers["location"])
    told = client.get(going.headers["location"]).text
    done = client.app.state.work.pieces("rehearsal")[0].result
    (product,) = done.products
    assert done.plan.lamp_drift == 0.02 and done.repeats == 1
    shown = re.search(r'<td class="figure" data-name="Rarely missed from">([^<]*)</td>', told)[1]
    assert shown == f"{product.detection_limit:.1f} %"
    assert f'data-name="Made to block">{product.blocked:.1f} %<' in told
    assert re.search(r'id="f-lamp_drift"[^>]*value="2"', told)
    assert "lamp drift 2 %" in told


def test_it_can_be_stopped(client):
    """Within the picture it is at; nothing is shown of it, and its made bench is gone."""
    going = client.post("/rehearse/try", data=SMALL | {"repeats": "30"}, follow_redirects=False)
    piece = client.app.state.work.pieces("rehearsal")[0]
    client.post(f"/work/{piece.id}/stop")
    wait(client, going.headers["location"])
    assert piece.state == work.STOPPED and piece.seconds < 15
    assert "Stopped before it was done" in client.get(going.headers["location"]).text


@pytest.mark.browser
def test_faults_on_a_wide_screen(open_page, served, accessible):
    """Each at its field, read out with it."""
    page = open_page(f"{served}/rehearse", width=1280)
    accessible(page)
    page.get_by_label("Plates of each product").fill("some")
    page.get_by_role("button", name="Try it").press("Enter")
    page.get_by_text("1 field to put right").wait_for()
    accessible(page)


@pytest.mark.browser
def test_a_plan_on_the_phone(open_page, served, accessible):
    """Change plates and repeats, try, watch it go, see what it found; no reload by hand."""
    page = open_page(f"{served}/rehearse", width=390)
    accessible(page)
    page.get_by_label("Products").fill("none")
    page.get_by_role("button", name="Try it").click()
    page.get_by_text("1 field to put right").wait_for()
    accessible(page)
    page.get_by_label("Products").fill("1")
    page.get_by_label("Plates of each product").fill("1")
    page.get_by_text("Paper, and how often to try").click()
    page.get_by_label("Tried so often").fill("1")
    page.get_by_role("button", name="Try it").press("Enter")
    page.get_by_role("progressbar").wait_for()
    accessible(page)
    page.get_by_role("columnheader", name="Made to block").wait_for(timeout=30_000, state="attached")
    accessible(page)
    assert page.get_by_text("1 time").is_visible()
