"""The command as a process of its own, and what is left when it is killed."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import httpx2
import painted_jaws
import pytest
from review_server import copied, plain_png

from crestgauge.cli.__main__ import main
from crestgauge.cli.review.command import address, is_loopback, reachable


class Running:
    """``crestgauge review`` on a ledger."""

    def __init__(self, ledger: Path, *options: str, port: str = "0") -> None:
        words = [sys.executable, "-m", "crestgauge.cli", "review", "--ledger", str(ledger), "--port", port]
        self.process = subprocess.Popen(
            [*words, "--manifest", str(painted_jaws.manifest()), *options],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        self.said = ""
        while not (found := re.search(r"http://([\w.]+):(\d+)", self.said)):
            line = self.process.stdout.readline()
            assert line, self.said
            self.said += line
        self.port = found.group(2)
        self.here = f"http://127.0.0.1:{self.port}"

    def end(self, how: signal.Signals) -> int:
        self.process.send_signal(how)
        self.said += self.process.communicate(timeout=30)[0]
        return self.process.returncode


def form(client: httpx2.Client, path: str = "/reader") -> str:
    return re.search(r'name="csrf" value="(\w+)"', client.get(path).text).group(1)


def count(ledger: Path, table: str) -> int:
    with closing(sqlite3.connect(ledger)) as connection:
        return connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]


def test_a_killed_server_loses_no_photo_no_call_and_no_session(season, tmp_path):
    """
    Killed as by a power cut: in the middle of one upload, right after another was answered.

    The half one is not there; the answered one is read by the next server; call, name and device are as
    before.
    """
    ledger = copied(season, tmp_path)
    server = Running(ledger)
    try:
        with httpx2.Client(base_url=server.here) as client:
            csrf = form(client)
            assert client.post("/reader", data={"csrf": csrf, "person": "Ida Brook"}).status_code == 303
            called = client.post("/photo/1/call", data={"csrf": csrf, "action": "confirm"})
            assert called.status_code == 303
            cookies = dict(client.cookies)
            half = _half_an_upload(int(server.port), cookies, csrf)
            answer = client.post(
                "/new",
                data={"csrf": csrf, "specimen_id": "P-40"},
                files={"photo": ("a.png", plain_png(9), "image/png")},
                headers={"accept": "application/json"},
            )
            assert answer.status_code == 202
            job = answer.json()["job"]
        server.end(signal.SIGKILL)
        half.close()
        server = Running(ledger, port=server.port)
        with httpx2.Client(base_url=server.here, cookies=cookies) as client:
            until = time.monotonic() + 60
            while client.get(f"/new/{job}", headers={"accept": "application/json"}).json()["state"] != "done":
                assert time.monotonic() < until
                time.sleep(0.1)
            queue = client.get("/queue.json?todo=all").json()
            assert queue["viewer"]["person"] == "Ida Brook"
            assert [row["specimen_id"] for row in queue["rows"] if row["own_call"]] == ["P-1"]
            assert form(client) == csrf  # a page that was open can still be sent
        assert server.end(signal.SIGINT) == 0
        assert (count(ledger, "photos"), count(ledger, "readings"), count(ledger, "calls")) == (4, 4, 1)
        assert len(list(Path(f"{ledger}.photos").rglob("*.png"))) == 1
    finally:
        server.process.kill()
        server.process.communicate()


def _half_an_upload(port: int, cookies: dict[str, str], csrf: str) -> socket.socket:
    """A connection on which a large photo has been sent by half."""
    sent = socket.create_connection(("127.0.0.1", port))
    fields = "".join(
        f'--b\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
        for name, value in (("csrf", csrf), ("specimen_id", "P-41"))
    )
    file = '--b\r\nContent-Disposition: form-data; name="photo"; filename="a.png"\r\n\r\n'
    body = (fields + file).encode() + painted_jaws.photo("adult").read_bytes()
    cookie = "; ".join(f"{name}={value}" for name, value in cookies.items())
    head = (
        f"POST /new HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nCookie: {cookie}\r\nContent-Length: 9000000\r\n"
        "Content-Type: multipart/form-data; boundary=b\r\n\r\n"
    )
    sent.sendall(head.encode() + body[: len(body) // 2])
    return sent


def test_on_a_network_a_code_is_printed_and_lets_one_device_in(season, tmp_path):
    server = Running(copied(season, tmp_path), "--host", "127.0.0.1", "--readers", "2")
    server.end(signal.SIGINT)
    assert "Pair" not in server.said  # the loopback address needs no code
    server = Running(copied(season, tmp_path), "--host", "0.0.0.0", "--blind")
    try:
        while "type  " not in server.said:
            server.said += server.process.stdout.readline()
        code = re.search(r"type  (\S+)", server.said).group(1)
        assert f"/pair?code={code}" in server.said and "unencrypted" in server.said
        with httpx2.Client(base_url=server.here) as client:
            assert client.get("/queue").headers["location"] == "/pair"
            assert client.post("/pair", data={"csrf": form(client, "/pair"), "code": code}).status_code == 303
            assert json.loads(client.get("/queue.json").text)["kind"] == "blind_queue"
        assert server.end(signal.SIGINT) == 0
        assert "A device was paired." in server.said
    finally:
        server.process.kill()
        server.process.communicate()


def test_what_cannot_be_served_is_wrong_usage(season, tmp_path, capsys):
    with closing(socket.create_server(("127.0.0.1", 0))) as taken:
        port = str(taken.getsockname()[1])
        assert main(["review", "--ledger", str(copied(season, tmp_path)), "--port", port]) == 2
    assert "choose another port" in " ".join(capsys.readouterr().err.lower().split())
    assert main(["review", "--ledger", "/nowhere/at/all/season.db", "--port", "0"]) == 2
    assert "folder does not exist" in capsys.readouterr().err
    assert main(["review", "--ledger", ":memory:", "--port", "0"]) == 2
    assert "--photos" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("host", "expected"), [("127.0.0.1", True), ("127.8.8.8", True), ("localhost", True), ("::1", True),
                           ("0.0.0.0", False), ("192.168.1.7", False), ("::", False)]
)  # fmt: skip
def test_only_addresses_of_this_computer_need_no_pairing(host, expected):
    assert is_loopback(host) is expected


def test_addresses_to_open():
    assert address("::1", 80) == "http://[::1]:80"
    assert address("10.0.0.1", 80) == "http://10.0.0.1:80"
    assert reachable("10.0.0.1") == "10.0.0.1"
    assert reachable("0.0.0.0") not in ("0.0.0.0", "")
