"""Sealed: no product's name in any page, file name, export or error that the server gives."""

from __future__ import annotations

import re
from html import unescape

import pytest

from fairpanel.jobs.blinding import veil
from fairpanel.jobs.entering import enter, things
from fairpanel.plan.things import kind_of
from fairpanel.web.app import navigation, page_modules

MOST_PAGES = 60


@pytest.fixture
def sealed(client_of, read_bench):
    """A client on a bench that was read and then sealed, with what its products are called."""
    client = client_of(read_bench)
    campaign = enter(read_bench, kind_of("campaign"), {"name": "spring"})
    names = [e.name for e in things(read_bench, kind_of("product"))]
    assert len(names) == 3
    told = client.post(f"/campaigns/{campaign}/seal", data={"step": "seal", "alone": "yes"})
    assert "To be written down: " in told.text
    return client, names, campaign


def _named(text, names):
    plain = re.sub(r"[\s_+-]|%20", "", unescape(text)).casefold()
    return [n for n in names if re.sub(r"[\s_+-]", "", n).casefold() in plain]


def test_no_name_anywhere(sealed, read_bench):
    """Every page of the bar and what can be reached from them; codes stand in their place."""
    client, names, _ = sealed
    todo = [one.address for one in navigation(page_modules(), "NAV")]
    seen: set[str] = set()
    coded = 0
    while todo and len(seen) < MOST_PAGES:
        address = todo.pop(0)
        told = client.get(address)
        seen.add(address)
        kind = told.headers.get("content-type", "")
        if kind.startswith("image/") and "svg" not in kind:
            continue
        assert not _named(told.text, names), address
        assert not _named(str(dict(told.headers)), names), address
        coded += any(code in told.text for code in veil(read_bench).codes.values())
        links = {unescape(a).partition("#")[0] for a in re.findall(r'(?:href|src)="(/[^"]*)"', told.text)}
        todo += sorted(a for a in links - seen - set(todo) if a and not a.startswith("/static"))
    assert coded >= 5 and {"/products", "/results", "/history"} <= seen


def test_errors_and_data_too(sealed):
    """A fault that repeats what was typed; JSON; the example's file name."""
    client, names, _ = sealed
    told = client.post("/products/new", data={"name": names[0]})
    assert told.status_code == 422 and not _named(told.text, names)
    told = client.get("/", headers={"accept": "application/json"})
    assert not _named(told.text, names)


def test_a_form_with_a_code_means_the_product(sealed, read_bench):
    """What is saved names the product, not the code."""
    client, names, _ = sealed
    code = veil(read_bench).codes[names[0]]
    client.post("/plates/new", data={"name": "P9", "product": code, "cautioned": "yes"})
    (plate,) = things(read_bench, kind_of("specimen"), words="P9")
    assert plate.body["product"] == names[0]
    assert code in client.get(f"/plates/{plate.id}").text


def test_lock_then_unseal(sealed):
    """In this order only; publishing waits; while locked nothing is read; then the names are back."""
    client, names, campaign = sealed
    assert client.post(f"/campaigns/{campaign}/seal", data={"step": "unseal"}).status_code == 409
    assert client.get("/publish").status_code == 409
    told = client.post(f"/campaigns/{campaign}/seal", data={"step": "lock"})
    assert "Lock the reading" not in told.text and "Unseal" in told.text
    client.post(f"/campaigns/{campaign}/seal", data={"step": "unseal"})
    assert _named(client.get("/products").text, names) == names
    assert client.get("/publish").status_code == 200
    assert client.post(f"/campaigns/{campaign}/seal", data={"step": "seal"}).status_code == 409


def test_what_could_be_hidden_is_said(client, bench_folder):
    """Before sealing: what is hidden, what is not, and what working alone means."""
    id = enter(bench_folder, kind_of("campaign"), {"name": "spring"})
    told = client.get(f"/campaigns/{id}").text
    for words in ("Hidden:", "Not hidden:", "Working alone", "what you remember"):
        assert words in told
    assert client.post(f"/campaigns/{id}/seal", data={"step": "dance"}).status_code == 422


@pytest.mark.browser
def test_sealing_on_the_screen(open_page, served_of, bench_folder, accessible):
    """By the buttons; the product's page says why it shows nothing."""
    enter(bench_folder, kind_of("product"), {"name": "Paste wax A", "maker": "Somebody", "price": "5"})
    id = enter(bench_folder, kind_of("campaign"), {"name": "spring"})
    page = open_page(f"{served_of(bench_folder)}/campaigns/{id}", width=390)
    page.get_by_text("Seal this campaign").click()
    accessible(page)
    page.get_by_label("somebody who did not see them coated").check()
    page.get_by_role("button", name="Seal", exact=True).click()
    page.get_by_text("Sealed. Every product").wait_for()
    accessible(page)
    page.get_by_role("link", name="Products").click()
    page.get_by_text("A campaign is sealed").wait_for()
    assert "Paste wax" not in page.content() and "Somebody" not in page.content()
    accessible(page)
    page.get_by_role("link", name=veil(bench_folder).codes["Paste wax A"]).click()
    page.get_by_text("not shown before it is unsealed").wait_for()
    assert "Somebody" not in page.content()
