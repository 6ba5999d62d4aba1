"""The door for a phone: shut by default, opened on purpose, one token for one phone, and it ends by itself."""

from __future__ import annotations

import re
import socket
import struct
import time
import zlib

import cv2
import httpx2
import numpy as np
import pytest
import zxingcpp

from fairpanel.storage.bench import Bench
from fairpanel.web import phone as phone_door
from fairpanel.web.phone import COOKIE, MOST_WRONG, OPEN_SECONDS, NoNetwork, PhoneDoor

BESIDE = "127.0.0.1"  # in tests the local network is this computer


class Clock:
    """Seconds that pass when told to."""

    now = 1_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock():
    """The door's clock."""
    return Clock()


@pytest.fixture
def door(client, clock) -> PhoneDoor:
    """The door of the empty bench, open; shut at the end."""
    made = client.app.state.door
    made._clock = clock
    made.open(BESIDE)
    yield made
    made.shut()


@pytest.fixture
def phone():
    """A phone's browser."""
    with httpx2.Client(timeout=5) as one:
        yield one


def enter(phone, invitation: str) -> httpx2.Response:
    """What the phone's browser sends when the button is pressed."""
    return phone.post(invitation, headers={"origin": "/".join(invitation.split("/")[:3])})


def picture(width: int = 200, height: int = 200) -> bytes:
    """A picture that can be read."""
    return cv2.imencode(".png", np.full((height, width, 3), 230, np.uint8))[1].tobytes()


def bomb(side: int) -> bytes:
    """A PNG of a few hundred bytes that claims side x side pixels, all of one tone (PNG specification, W3C)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    pixels = zlib.compress(bytes(1_000_000), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")


def test_it_is_shut_until_opened_on_purpose(client):
    """No second server, no token, and the page says so."""
    door = client.app.state.door
    assert not door.is_open and door.invitation == "" and door.address == ""
    assert "Let a phone in" in client.get("/phone").text
    assert client.get("/phone/open").status_code == 405  # looking opens nothing


def test_the_code_on_the_screen_leads_to_the_door(client, door):
    """Drawn as the page draws it and read by a reader of codes; the address is on the local network."""
    told = client.get("/phone").text
    path = re.search(r'<path d="([^"]+)" fill="#000"', told)[1]
    side = int(re.search(r'viewBox="0 0 (\d+) ', told)[1])
    drawn = np.full((side, side), 255, np.uint8)
    for x, y in re.findall(r"M(\d+) (\d+)h1v1h-1z", path):
        drawn[int(y), int(x)] = 0
    read = zxingcpp.read_barcodes(cv2.resize(drawn, None, fx=6, fy=6, interpolation=cv2.INTER_NEAREST))
    assert [one.text for one in read] == [door.invitation]
    assert len(door.invitation.rpartition("/")[2]) == 22  # 128 bits, six to a letter


def test_one_phone_comes_in_once(door, phone):
    """The token is used up; a second phone with the same code stays outside."""
    invitation = door.invitation
    assert phone.get(invitation).status_code == 200  # looking beforehand uses nothing up
    let_in = enter(phone, invitation)
    assert let_in.status_code == 303
    cookie = let_in.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie and f"max-age={OPEN_SECONDS}" in cookie
    assert "Take or choose pictures" in phone.get(f"{door.address}/").text
    with httpx2.Client() as second:
        assert second.get(invitation).status_code == 403
        assert enter(second, invitation).status_code == 403
        assert second.get(f"{door.address}/").status_code == 403
    assert door.invitation == "" and door.phones == 1


def test_without_the_key_nothing_is_seen(door, phone):
    """Neither the bench's name nor a page; also with a made-up key."""
    for cookies in ({}, {COOKIE: ""}, {COOKIE: "x" * 43}):
        told = httpx2.get(f"{door.address}/", cookies=cookies)
        assert told.status_code == 403 and "Take or choose" not in told.text
    assert httpx2.post(f"{door.address}/", headers={"origin": door.address}).status_code == 403


def test_a_stolen_key_opens_nothing_elsewhere(door):
    """It is good for the address the phone came from."""
    key = door.let_in(door.invitation.rpartition("/")[2], "192.168.1.20")
    assert door.knows(key, "192.168.1.20") and not door.knows(key, "192.168.1.66")


def test_a_phone_sees_its_own_pages_only(door, phone):
    """What the computer's page can do is not there, not even by its address."""
    enter(phone, door.invitation)
    for path in ("/phone", "/publish", "/rehearse", "/work/x", "/products", "/publish/preview/index.html"):
        assert phone.get(f"{door.address}{path}").status_code == 404, path
    for path in ("/phone/open", "/publish/write", "/work/x/stop"):
        assert phone.post(f"{door.address}{path}", headers={"origin": door.address}).status_code in (404, 405), path


def test_guessing_shuts_the_door(door, phone):
    """Ten wrong tokens, by looking or by sending; the phone that was in is out too, and the page says why."""
    address, right = door.address, door.invitation
    for i in range(MOST_WRONG):
        wrong = f"{address}/enter/{'x' * 21}{i}"
        assert (phone.get(wrong) if i % 2 else enter(phone, wrong)).status_code == 403
    assert not door.is_open and "wrong" in door.why_shut
    assert right.rpartition("/")[2] and door.let_in(right.rpartition("/")[2], BESIDE) == ""


def test_a_foreign_page_on_the_phone_can_do_nothing(door, phone):
    """Another host's name, or a form of another page with the phone's key."""
    enter(phone, door.invitation)
    port = door.address.rpartition(":")[2]
    assert phone.get(f"{door.address}/", headers={"host": f"evil.example:{port}"}).status_code == 421
    files = {"pictures": ("a.png", picture())}
    for headers in ({"origin": "http://evil.example"}, {"origin": "null"}, {}):
        assert phone.post(f"{door.address}/", headers=headers, files=files).status_code == 403


def test_it_shuts_by_itself(client, door, phone, clock):
    """After half an hour, by the clock; the second server is gone."""
    enter(phone, door.invitation)
    clock.now += OPEN_SECONDS - 1
    address = door.address
    assert phone.get(f"{address}/").status_code == 200
    clock.now += 1
    assert phone.get(f"{address}/").status_code == 403
    assert not door.is_open and door.seconds_left == 0
    assert "half hour was over" in client.get("/phone").text
    _nobody_answers(address)


def test_the_button_shuts_it(client, door, phone):
    """At once, for the phone that is in."""
    enter(phone, door.invitation)
    address = door.address
    client.post("/phone/shut")
    _nobody_answers(address)
    assert "Let a phone in" in client.get("/phone").text


def test_it_ends_with_the_server(client_of, bench_folder):
    """Nothing stays behind."""
    client = client_of(bench_folder)
    door = client.app.state.door
    door.open(BESIDE)
    address = door.address
    for close in client.app.state.closing:
        close()
    _nobody_answers(address)


def _nobody_answers(address: str) -> None:
    name, port = address.removeprefix("http://").split(":")
    for _ in range(100):
        with socket.socket() as line:
            line.settimeout(0.2)
            if line.connect_ex((name, int(port))) != 0:
                return
        time.sleep(0.05)
    raise AssertionError("the second server is still there")


def test_without_a_network_it_says_so(client, monkeypatch):
    """And what to do; nothing is opened."""

    class Alone(socket.socket):
        def connect(self, address):
            raise OSError("Network is unreachable")

    monkeypatch.setattr(phone_door.socket, "socket", Alone)
    with pytest.raises(NoNetwork):
        phone_door.local_address()
    told = client.post("/phone/open")
    assert told.status_code == 409 and "no local network" in told.text
    assert not client.app.state.door.is_open


# ---- pictures from the phone -------------------------------------------------------------------------------------


def send(phone, door, *files: tuple[str, bytes]) -> httpx2.Response:
    """The phone's form, sent."""
    return phone.post(f"{door.address}/", headers={"origin": door.address}, files=[("pictures", one) for one in files])


def test_a_picture_arrives_as_it_was_taken(door, phone, bench_folder):
    """Byte for byte; sent twice it is told and kept once."""
    enter(phone, door.invitation)
    assert "IMG 1.png is on the bench" in send(phone, door, ("IMG 1.png", picture())).text
    assert "was on the bench already" in send(phone, door, ("IMG 2.png", picture())).text
    with Bench.open(bench_folder) as bench:
        (kept,) = bench.pictures()
        assert bench.original_bytes(kept.id) == picture() and kept.name == "IMG 1.png"


def test_a_picture_bomb_is_refused_by_its_head(door, phone, bench_folder):
    """A few hundred bytes that claim forty thousand megapixels: nothing is decoded, nothing kept."""
    enter(phone, door.invitation)
    told = send(phone, door, ("holiday.png", bomb(200_000)))
    assert told.status_code == 422 and "megapixels" in told.text
    with Bench.open(bench_folder) as bench:
        assert bench.pictures() == []


@pytest.mark.parametrize("data", [b"", b"<script>alert(1)</script>", b"%PDF-1.7", b"GIF89a" + bytes(20)])
def test_what_is_no_picture_is_refused_with_words(door, phone, bench_folder, data):
    """Each says what it is and what to do."""
    enter(phone, door.invitation)
    told = send(phone, door, ("x.png", data))
    assert told.status_code == 422
    with Bench.open(bench_folder) as bench:
        assert bench.pictures() == []


def test_a_name_with_tricks_and_script_is_text(door, phone, bench_folder):
    """Shown without folders, and as text; the file lies under its hash, whatever it was called."""
    enter(phone, door.invitation)
    told = send(phone, door, ("../../<img src=x onerror=alert(1)>.png", picture()))
    assert "&lt;img src=x onerror=alert(1)&gt;.png is on the bench" in told.text and "<img" not in told.text
    assert sorted(p.name for p in bench_folder.parent.iterdir()) == ["garage"]


def test_too_much_at_once_is_refused(door, phone):
    """By what the request announces, before it is read."""
    enter(phone, door.invitation)
    name, port = door.address.removeprefix("http://").split(":")
    head = (
        f"POST / HTTP/1.1\r\nHost: {name}:{port}\r\nOrigin: {door.address}\r\n"
        f"Cookie: {COOKIE}={phone.cookies[COOKIE]}\r\n"
        f"Content-Type: multipart/form-data; boundary=x\r\nContent-Length: {phone_door.MOST_OF_FILES + 1}\r\n\r\n"
    )
    with socket.create_connection((name, int(port)), timeout=5) as line:
        line.sendall(head.encode())
        assert line.recv(1000).split()[1] == b"413"


# ---- on the screen -----------------------------------------------------------------------------------------------


@pytest.mark.browser
def test_from_code_to_picture_on_the_screen(open_page, served_of, bench_folder, accessible, monkeypatch):
    """The computer opens the door, the phone comes in and sends a picture; the computer sees that it is in."""
    monkeypatch.setattr(phone_door, "local_address", lambda: BESIDE)
    kept = []
    computer = open_page(f"{served_of(bench_folder, kept.append)}/phone")
    accessible(computer)
    computer.get_by_role("button", name="Let a phone in").click()
    computer.get_by_role("img").wait_for()
    accessible(computer)
    phone = open_page(kept[0].state.door.invitation, width=390)
    accessible(phone)
    phone.get_by_role("button", name="Let this phone in").click()
    phone.get_by_label("Take or choose pictures").set_input_files(
        {"name": "IMG_7.png", "mimeType": "image/png", "buffer": picture()}
    )
    accessible(phone)
    phone.get_by_role("button", name="Send to the bench").click()
    phone.get_by_text("IMG_7.png is on the bench").wait_for()
    accessible(phone)
    computer.get_by_text("1 phone let in").wait_for()
    accessible(computer)
    computer.get_by_role("button", name="Shut it now").click()
    computer.get_by_text("No phone reaches the bench any more").wait_for()
