"""Products, plates, campaigns, runs, lamps, sheets: forms, look-up, history, undo, two windows."""

from __future__ import annotations

import re
from html import unescape

import pytest

from fairpanel.plan.things import KINDS, kind_of

SCRIPT = "<script>alert(1)</script>"


def _add(client, of, named, **fields):
    """Enter a thing by its form; returns its address."""
    typed = {"name": named, "cautioned": "yes", **fields}
    told = client.post(f"{of.address}/new", data=typed, follow_redirects=False)
    assert told.status_code == 303, told.text
    return told.headers["location"].partition("?")[0]


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.noun)
def test_every_kind_from_its_fields(client, kind):
    """Each field has its label, unit and help; its examples can be saved and are found again."""
    form = unescape(client.get(f"{kind.address}/new").text)
    for c in kind.columns:
        assert f'name="{c.name}"' in form and c.help in form and (not c.unit or f"[{c.unit}]" in form)
    address = _add(client, kind, "one", **{c.name: c.example for c in kind.columns})
    told = client.get(address)
    assert told.status_code == 200 and "entered" in told.text
    found = client.get(kind.address, params={"words": "one"}).text
    assert ">one</a>" in found
    assert ">one</a>" not in client.get(kind.address, params={"words": "nothing like it"}).text


def test_every_fault_stands_at_its_field(client):
    """All at once, with what was typed still there; the summary leads to each."""
    typed = {"name": "", "price": "dear", "how_it_came": "stolen"}
    told = client.post("/products/new", data=typed)
    assert told.status_code == 422 and "3 faults to put right" in told.text
    for name in typed:
        assert re.search(rf'id="f-{name}"[^>]*aria-invalid="true"', told.text)
        assert f'href="#f-{name}"' in told.text and f'id="w-{name}"' in told.text
    assert 'value="dear"' in told.text
    assert "None yet" in client.get("/products").text


def test_a_change_needs_a_reason_and_is_kept(client):
    """With the former words in its history; undo restores them."""
    at = _add(client, kind_of("product"), "Wax A", price="5")
    based_on = at.rpartition("/")[2]
    told = client.post(at, data={"based_on": based_on, "name": "Wax A", "price": "6"})
    assert told.status_code == 422 and 'id="w-reason"' in told.text
    told = client.post(at, data={"based_on": based_on, "name": "Wax A", "price": "6", "reason": "receipt"})
    assert "Price: 5 → 6" in told.text and "receipt" in told.text
    told = client.get("/history").text
    newest = re.search(r'action="/history/(\w+)/undo"', told)[1]
    assert "Taken back" in client.post(f"/history/{newest}/undo").text
    assert "Price: 6 → 5" in client.get(at).text


def test_two_windows_lose_nothing(client):
    """The second to save sees both; saving again, now knowing, changes what is there."""
    at = _add(client, kind_of("product"), "Wax A", price="5")
    first = at.rpartition("/")[2]
    client.post(at, data={"based_on": first, "name": "Wax A", "price": "6", "reason": "receipt"})
    told = client.post(at, data={"based_on": first, "name": "Wax A", "price": "7", "reason": "invoice"})
    assert told.status_code == 409 and "both" in told.text
    assert re.search(r'data-name="On the bench now">6<.*data-name="Yours">7<', told.text)
    assert "Price: 5 → 6" in told.text and "→ 7" not in told.text
    again = re.search(r'name="based_on" value="(\w+)"', told.text)[1]
    told = client.post(at, data={"based_on": again, "name": "Wax A", "price": "7", "reason": "invoice"})
    assert "Price: 6 → 7" in told.text


def test_taken_out_and_brought_back(client):
    """With a reason; it stays under History."""
    at = _add(client, kind_of("lamp"), "L2")
    id = at.rpartition("/")[2]
    assert client.post(f"{at}/out", data={"based_on": id, "out_reason": ""}).status_code == 422
    told = client.post(f"{at}/out", data={"based_on": id, "out_reason": "sold"})
    assert "Taken out" in told.text and ">L2</a>" not in told.text
    assert "sold" in client.get("/history").text
    newest = re.search(r'action="/history/(\w+)/undo"', client.get("/history").text)[1]
    client.post(f"/history/{newest}/undo")
    assert ">L2</a>" in client.get("/lamps").text


def test_an_undo_that_comes_too_late(client):
    """What was changed since is not overwritten."""
    at = _add(client, kind_of("product"), "Wax A", price="5")
    first = at.rpartition("/")[2]
    client.post(at, data={"based_on": first, "name": "Wax A", "price": "6", "reason": "receipt"})
    told = client.post(f"/history/{first}/undo")
    assert told.status_code == 409 and "replaced already" in told.text
    assert client.post("/history/0000000000000000/undo").status_code == 404


def test_names_like_scripts_are_text(client):
    """In lists, headings, histories, suggestions and confirmations."""
    at = _add(client, kind_of("product"), SCRIPT, note=SCRIPT, maker=SCRIPT)
    client.post(at, data={"based_on": at.rpartition("/")[2], "name": SCRIPT, "reason": SCRIPT, "price": "1"})
    for address in ("/products", at, "/history", "/plates/new", "/rows/new", "/lots/new"):
        assert "<script>alert" not in client.get(address).text, address


def test_a_plate_waits_for_its_caution(client):
    """Shown before the form, and needed to save."""
    form = client.get("/plates/new").text
    assert "Caution: coat the plates" in form
    assert form.index("Caution") < form.index('name="product"')
    told = client.post("/plates/new", data={"name": "P1"})
    assert told.status_code == 422 and "Read the caution first" in told.text


@pytest.mark.parametrize("address", ["/products/none", "/plates/0000000000000000", "/runs/x/sheet", "/rows/zzz"])
def test_what_is_not_there(client, address):
    """Said as a page."""
    assert client.get(address).status_code == 404


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_a_product_from_nothing(open_page, served, accessible, width, scheme):
    """Add with a fault, put it right, change it, undo the change; by keyboard where it matters."""
    page = open_page(f"{served}/products", width=width, scheme=scheme)
    page.get_by_role("link", name="Add a product").click()
    page.get_by_label("Name").fill("Paste wax A")
    page.get_by_label("Price").fill("dear")
    page.get_by_role("button", name="Save").press("Enter")
    page.get_by_text("1 fault to put right").wait_for()
    accessible(page)
    page.get_by_role("alert").get_by_role("link", name="Price").click()
    assert page.evaluate("document.activeElement.name") == "price"
    page.keyboard.press("Control+A")
    page.keyboard.type("24.90")
    page.keyboard.press("Enter")
    page.get_by_text("Saved: product Paste wax A").wait_for()
    accessible(page)
    page.get_by_text("Change it", exact=True).click()
    page.get_by_label("Price").fill("25")
    page.get_by_label("Reason", exact=False).first.fill("receipt found")
    page.get_by_role("button", name="Save the change").click()
    page.get_by_text("Price: 24.9 → 25").wait_for()
    page.get_by_role("button", name="Undo this").click()
    page.get_by_text("Taken back").wait_for()
    accessible(page)
    page.goto(f"{served}/products")
    page.get_by_text("24.9").wait_for()
    accessible(page)
