"""What lies in a published folder, looked at file by file as a stranger would."""

import base64
import csv
import hashlib
import io
import json
import re
import struct
from html.parser import HTMLParser

import pytest

TEXTS = {".html", ".csv", ".json", ".svg"}


@pytest.fixture(scope="session")
def texts(published):
    """Every file that is text, by its place."""
    files = [f for f in published.rglob("*") if f.suffix in TEXTS]
    return {f.relative_to(published).as_posix(): f.read_text(encoding="utf-8-sig") for f in files}


@pytest.fixture(scope="session")
def page(texts):
    """The page's source."""
    return texts["index.html"]


class _Page(HTMLParser):
    """Text, tags and addresses of a page."""

    def __init__(self, source):
        super().__init__()
        self.tags, self.addresses, self.words, self.level = [], [], {}, []
        self.feed(source)

    def handle_starttag(self, tag, attributes):
        about = dict(attributes)
        self.tags.append((tag, about))
        self.addresses += [about[k] for k in ("src", "href", "action", "data", "poster", "srcset") if k in about]
        if tag not in ("meta", "img", "rect", "line", "circle", "path", "link", "br"):
            self.level.append(tag)

    def handle_endtag(self, tag):
        while self.level and self.level.pop() != tag:
            pass

    def handle_data(self, data):
        if data.strip() and self.level and self.level[-1] != "style":
            self.words.setdefault(self.level[-1], []).append(" ".join(data.split()))


def test_everything_listed_is_there_with_its_hash(published):
    """`datapackage.json` lists every other file with size and SHA-256, and no more."""
    package = json.loads((published / "datapackage.json").read_bytes())
    listed = {one["path"]: one for one in package["resources"]}
    there = {f.relative_to(published).as_posix() for f in published.rglob("*") if f.is_file()}
    assert set(listed) == there - {"datapackage.json"}
    for path, one in listed.items():
        data = (published / path).read_bytes()
        assert (one["bytes"], one["hash"]) == (len(data), f"sha256:{hashlib.sha256(data).hexdigest()}")
    names = [one["name"] for one in package["resources"]]
    # Data Package, from memory: names are unique, lower case, of letters, digits and . _ - /
    assert len(set(names)) == len(names) and all(re.fullmatch(r"[-a-z0-9._/]+", n) for n in names)


def test_tables_hold_what_the_data_file_holds(published, texts):
    """Same rows, same columns as the table schema, numbers to six digits."""
    data = json.loads(texts["results.json"])
    package = json.loads(texts["datapackage.json"])
    schema = {one["path"]: one["schema"] for one in package["resources"] if one["format"] == "csv"}
    for key in ("results", "strips", "refused"):
        rows = list(csv.DictReader(io.StringIO(texts[f"{key}.csv"])))
        assert [f["name"] for f in schema[f"{key}.csv"]["fields"]] == list(rows[0])
        assert len(rows) == len(data[key])
        for row, one in zip(rows, data[key], strict=True):
            for name, value in one.items():
                if isinstance(value, float):
                    assert float(row[name]) == pytest.approx(value, rel=1e-5)
                elif value is None or isinstance(value, str):
                    assert row[name] == (value or "")


def test_sunscreens_appear_nowhere(published, texts, names):
    """Neither name nor strip nor picture nor refusal nor old score of a method control is published."""
    for path, text in texts.items():
        assert names.sunscreen not in text and "X2" not in text, path
    data = json.loads(texts["results.json"])
    assert len(data["results"]) == len({one["product"] for one in data["results"]}) == 4
    assert [one["strip"] for one in data["refused"]] == ["X1"]
    # the strips of four products, and the step strip
    assert len(data["strips"]) == 4 and len(list((published / "pictures").iterdir())) == 5


def test_picture_files_are_called_by_number(published, texts, names):
    """An original's own name may tell who, where and when; nor does any path of the computer get out."""
    assert all(not re.search(r"(?i)garage|cellar|IMG_0412", text) for text in texts.values())
    data = json.loads(texts["results.json"])
    assert {one["picture"] for one in data["strips"]} == {"picture 1"}
    assert data["refused"][0]["picture"] == "picture 2"
    private = (str(published), str(published.parent), published.parent.name)
    assert not [p for p, text in texts.items() if any(word in text for word in private)]
    assert all(re.fullmatch(r"strip-\d{4}\.jpg", f.name) for f in (published / "pictures").iterdir())


def test_pictures_hold_pixels_and_nothing_else(published):
    """JPEG segments: only the plain header, tables, frame and scan (ITU-T T.81, table B.1; JFIF as APP0)."""
    plain = {0xE0, 0xDB, 0xC0, 0xC2, 0xC4, 0xDD, 0xDA}
    for file in (published / "pictures").iterdir():
        data, at = file.read_bytes(), 2
        while data[at + 1] != 0xDA:
            assert data[at] == 0xFF and data[at + 1] in plain, f"{file.name}: segment {data[at + 1]:02x}"
            if data[at + 1] == 0xE0:
                assert data[at + 4 : at + 9] == b"JFIF\0" and data[at + 16 : at + 18] == b"\0\0"  # no thumbnail
            at += 2 + struct.unpack(">H", data[at + 2 : at + 4])[0]


def test_names_are_text_whatever_they_hold(page, names):
    """A product called like a script shows as its letters."""
    assert names.script not in page
    read = _Page(page)
    assert names.script in read.words["h3"]
    assert "script" not in {tag for tag, _ in read.tags}
    assert not [k for _, about in read.tags for k in about if k.startswith("on")]


def test_the_page_stands_alone(published, texts, page):
    """No script, no address of any host; what it names lies beside it; its policy allows nothing more."""
    read = _Page(page)
    for address in read.addresses:
        assert address.startswith("#") or (published / address).is_file(), address
    anchors = {about.get("id") for _, about in read.tags}
    assert {a[1:] for a in read.addresses if a.startswith("#")} <= anchors
    for path, text in texts.items():
        addresses = set(re.findall(r"(?:https?:)?//[a-z0-9][^\s\"'<>)]*", text))
        assert addresses <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}, path
    (policy,) = (about["content"] for tag, about in read.tags if about.get("http-equiv") == "Content-Security-Policy")
    style = page.partition("<style>")[2].partition("</style>")[0]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in policy and policy.startswith("default-src 'none';")
    assert "script-src" not in policy and not [about for _, about in read.tags if "style" in about]


def test_products_stand_by_finding_then_by_name(page, texts):
    """Headings in the order of the rule table; inside, the alphabet and not the value."""
    from fairpanel.findings.rules import HEADINGS

    data = json.loads(texts["results.json"])["results"]
    wanted = [
        one["product"]
        for finding in HEADINGS
        for one in sorted((o for o in data if o["finding"] == finding), key=lambda o: o["product"].casefold())
    ]
    overview = page.partition('class="rows"')[2].partition("</section>")[0]
    assert [n for n in _Page(overview).words["a"] if n] == wanted
    shown = [HEADINGS[f] for f in HEADINGS if any(o["finding"] == f for o in data)]
    assert _Page(overview).words["h4"] == shown
    results = page.partition('id="refused"')[0]
    assert not re.search(r"(?i)\brank(ed|s)?\b|\bscore of|\bbest\b|\bwinner|out of ten|\bplace \d", results)


def test_numbers_come_with_interval_limits_and_budget(page, texts):
    """As in the data: value (low to high), the two limits in words, the budget biggest first."""
    data = json.loads(texts["results.json"])["results"]
    one = next(o for o in data if o["product"] == "Zinc coat")
    article = next(a for a in page.split("<article")[1:] if ">Zinc coat<" in a.replace(" <", "<"))
    text = " ".join(" ".join(w) for w in _Page("<article" + article).words.values())
    assert f"{one['value']:.1f} % ({one['low']:.1f} to {one['high']:.1f})" in text
    assert "The smallest amount we call real The smallest we would rarely miss" in text
    assert f"{one['decision_limit']:.1f} %" in text and f"{one['detection_limit']:.1f} %" in text
    budget = article.partition('class="budget"')[2].partition("</ul>")[0]
    sources = re.findall(r"<li><span>([^<]+)</span>.*?<span class=\"size\">([\d.]+) points", budget)
    assert [s for s, _ in sources] == [part["source"] for part in one["budget"]]
    sizes = [float(size) for _, size in sources]
    assert sizes == sorted(sizes, reverse=True)


def test_every_strip_shows_its_picture_beside_its_number(page, texts):
    """All at one scale: the strips are 60 mm long and 20 wide by the rehearsal's own cutter, the shown ones so too."""
    strips = json.loads(texts["results.json"])["strips"]
    figures = re.findall(r"<figure>\s*<img[^>]*?src=\"(pictures/[^\"]+)\"[^>]*?>\s*<figcaption><strong>([^<]+)", page)
    assert len(figures) == len(strips) == len({path for path, _ in figures})
    assert {f"{s['blocked']:.1f} % ({s['low']:.1f} to {s['high']:.1f})".replace("-", "−") for s in strips} == {
        number for _, number in figures
    }
    heights = set(re.findall(r'class="strip"[^>]*? height="(\d+)"', page))
    assert len(heights) == 1


def test_what_it_is_and_is_not_is_said(page):
    """Title, lamp, campaign, days; on glass for paint, never skin; what was refused; old scores marked old."""
    words = _Page(page).words
    facts = dict(zip(words["dt"], words["dd"], strict=False))
    assert words["h1"] == ["Spring test"]
    assert (facts["Lamp"], facts["Campaign"], facts["Exposed"]) == ("lamp 1", "2026 UV", "9 October 2026")
    text = " ".join(said for kind in words.values() for said in kind)
    for said in (
        "Measured on glass, for paint. Says nothing about skin or sunscreen.",
        "this is no ranking",
        "drawn at 1.5 times its density, alike on all strips",
        "Before you switch the lamp on",
        "picture 2, strip X1",
    ):
        assert said in text, said
    old = page.partition('id="old"')[2].partition("</section>")[0]
    assert "never pooled with what is read from pictures" in old and "Luck alone" in old
    (line,) = re.findall(r'<li class="lrow">(.*?)</li>', old, re.DOTALL)
    for said in ("Old wax O", "score 0-2", "old, 2024-05", "blocked, had the steps lain under glass"):
        assert said in line, said
    assert "Within luck: 1" in old
