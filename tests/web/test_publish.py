"""Publish: exactly what was looked at is written, and comes away as one file."""

from __future__ import annotations

import io
import re
import time
import zipfile
from pathlib import Path

import pytest

from fairpanel.jobs import publishing
from fairpanel.jobs.reading import read_bench as read_again
from fairpanel.storage.bench import Bench


def make_preview(client, title: str = "") -> str:
    """Press the button, wait, and give the page with the preview."""
    going = client.post("/publish/prepare", data={"title": title}, follow_redirects=False)
    assert going.status_code == 303
    for _ in range(500):
        if not client.get(going.headers["location"], headers={"accept": "application/json"}).json()["going"]:
            return client.get("/publish").text
        time.sleep(0.02)
    raise AssertionError("the preview was never done")


def preview_id(told: str) -> str:
    """What the button to write it gives."""
    return re.search(r'name="preview" value="([^"]+)"', told)[1]


def publications(folder: Path):
    """All publications of a bench."""
    with Bench.open(folder) as bench:
        return bench.publications()


def test_before_anything_was_read(client):
    """It says so, and offers nothing."""
    told = client.get("/publish").text
    assert "nothing to publish" in told and "<form" not in told.split("<main")[1]


def test_what_is_written_is_what_was_looked_at(client_of, read_bench):
    """Byte for byte, every file of the list; nothing is recorded before the button is pressed."""
    client = client_of(read_bench)
    told = make_preview(client, "Spring test")
    assert '<h2 id="preview">Spring test</h2>' in told and publications(read_bench) == []
    listed = re.findall(r'<a href="/publish/preview/([^"]+)" target="_blank" rel="noopener">\1', told)
    seen = {place: client.get(f"/publish/preview/{place}").content for place in listed}
    assert {"index.html", "results.csv", "results.json", "datapackage.json"} < set(seen)
    done = client.post("/publish/write", data={"preview": preview_id(told)})
    assert "Written, as you saw it" in done.text
    (kept,) = publications(read_bench)
    assert {place: (read_bench / kept.folder / place).read_bytes() for place in kept.files} == seen


def test_it_comes_away_as_one_file(client_of, read_bench):
    """A ZIP that unpacks to the same files, the same bytes each time; Python's own reader finds no fault in it."""
    client = client_of(read_bench)
    client.post("/publish/write", data={"preview": preview_id(make_preview(client))})
    (kept,) = publications(read_bench)
    address = re.search(r'href="(/publish/kept/[^"]+\.zip)"', client.get("/publish").text)[1]
    told = client.get(address)
    assert told.headers["content-type"] == "application/zip" and "attachment" in told.headers["content-disposition"]
    assert int(told.headers["content-length"]) == len(told.content)
    with zipfile.ZipFile(io.BytesIO(told.content)) as packed:
        assert packed.testzip() is None
        assert {n: packed.read(n) for n in packed.namelist()} == {
            place: (read_bench / kept.folder / place).read_bytes() for place in kept.files
        }
    assert client.get(address).content == told.content
    (read_bench / kept.folder / "results.csv").write_text("changed")
    assert client.get(address).status_code == 409
    assert client.get("/publish/kept/nothing/publication.zip").status_code == 404


def test_a_preview_that_is_outdated_is_not_written(client_of, read_bench):
    """Something was read since, by a command beside the page: it says so and asks for a new look."""
    client = client_of(read_bench)
    told = make_preview(client)
    read_again(read_bench)
    again = client.get("/publish").text
    assert "read since this preview was made" in again and 'action="/publish/write"' not in again
    assert client.post("/publish/write", data={"preview": preview_id(told)}).status_code == 409
    assert publications(read_bench) == []


def test_two_windows_write_only_what_they_saw(client_of, read_bench):
    """The other window made a preview in the meantime: nothing is written, and the newer one is shown."""
    client = client_of(read_bench)
    first = preview_id(make_preview(client, "First"))
    second = make_preview(client, "Second")
    told = client.post("/publish/write", data={"preview": first})
    assert "Look at this one first" in told.text and "Second" in told.text
    assert publications(read_bench) == []
    assert preview_id(second) != first


def test_the_preview_may_run_nothing_and_ask_nobody(client_of, read_bench):
    """Its own policy; nothing but files of the list can be asked for, and they are gone when the server ends."""
    client = client_of(read_bench)
    make_preview(client)
    folder = client.app.state.previews.current.prepared.folder
    told = client.get("/publish/preview/index.html")
    policy = told.headers["content-security-policy"]
    assert "script-src" not in policy and "default-src 'none'" in policy and "sandbox" in policy
    assert "frame-ancestors 'self'" in policy
    (folder / "secret.txt").write_text("secret")
    for place in (
        "secret.txt",
        "nope",
        "../bench.sqlite",
        "..%2fbench.sqlite",
        "/etc/passwd",
        str(folder / "index.html"),
    ):
        assert client.get(f"/publish/preview/{place}").status_code in (400, 404), place
    for close in client.app.state.closing:
        close()
    assert not folder.exists()


def test_a_preview_that_was_tampered_with_is_not_kept(read_bench, tmp_path):
    """Not what was looked at: refused, nothing recorded."""
    (tmp_path / "look").mkdir()
    prepared = publishing.prepare(read_bench, tmp_path / "look")
    (tmp_path / "look" / "results.csv").write_text("better numbers")
    with pytest.raises(publishing.CannotPublish, match=r"results\.csv was changed"):
        publishing.keep(read_bench, prepared)
    assert publications(read_bench) == [] and not list((read_bench / "publications").iterdir())


def test_it_is_the_publication_that_the_command_writes(read_bench, tmp_path):
    """`fairpanel publish` gives the same files, byte for byte."""
    (tmp_path / "look").mkdir()
    prepared = publishing.prepare(read_bench, tmp_path / "look", title="Same")
    publishing.publish(read_bench, tmp_path / "out", title="Same")
    written = {p.relative_to(tmp_path / "out").as_posix(): p.read_bytes() for p in (tmp_path / "out").rglob("*.*")}
    assert written == {place: (tmp_path / "look" / place).read_bytes() for place in prepared.files}


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_on_the_screen(open_page, served_of, read_bench, accessible, width):
    """Title, preview in its frame, write, download: by keyboard and eye."""
    page = open_page(f"{served_of(read_bench)}/publish", width=width)
    accessible(page)
    page.get_by_label("Title of the page").fill("Spring test")
    page.get_by_role("button", name="Make the preview").press("Enter")
    frame = page.frame_locator("iframe")
    frame.get_by_role("heading", level=1, name="Spring test").wait_for()
    frame.locator("img.strip").first.scroll_into_view_if_needed()
    assert frame.locator("img.strip").first.evaluate("i => i.decode().then(() => i.naturalWidth)") > 0
    accessible(page)
    page.get_by_role("button", name="Write it onto the bench").click()
    page.get_by_text("Written, as you saw it").wait_for()
    accessible(page)
    with page.expect_download() as loading:
        page.get_by_role("link", name="Download as one file").click()
    assert zipfile.is_zipfile(loading.value.path())
