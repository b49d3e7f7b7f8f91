"""The port: what goes in comes out, and every way to fail is one sentence with a next step."""

from __future__ import annotations

import errno
import os
import socket
import struct
import subprocess
import threading
import time
from types import SimpleNamespace

import pytest
import serial
from serial.tools import list_ports

from bridge.errors import LinkLost, PortUnavailable, YardError
from bridge.link import port as port_module
from bridge.link.port import SerialPort, list_serial_ports, open_port


def repeat(action, *, times: int = 100) -> None:
    for _ in range(times):
        action()
        time.sleep(0.005)


def test_bytes_go_both_ways(peer):
    port = open_port(peer.url)
    port.write(b"1 keep 0000\n")
    peer.say(b"hello\n\x00\xff\x03")
    got = b""
    while len(got) < 9:
        got += port.read(2.0)
    assert got == b"hello\n\x00\xff\x03"
    assert port.read(0.0) == b""
    port.close()


def test_a_read_waits_no_longer_than_told(peer):
    port = open_port(peer.url)
    before_s = time.monotonic()
    assert port.read(0.1) == b""
    assert 0.09 < time.monotonic() - before_s < 0.5
    port.close()


def test_unplugged_while_reading_and_writing(peer):
    port = open_port(peer.url)
    failures = []

    def read() -> None:
        try:
            while True:
                port.read(5.0)
        except LinkLost as error:
            failures.append(error)

    thread = threading.Thread(target=read)
    thread.start()
    time.sleep(0.05)
    peer.pull_plug()
    thread.join(3)
    assert not thread.is_alive()
    with pytest.raises(LinkLost, match="went away"):
        repeat(lambda: port.write(b"x\n"))
    assert "went away" in str(failures[0])
    assert failures[0].__cause__ is not None
    port.close()


def test_bytes_that_came_before_the_plug_was_pulled_are_still_read(peer):
    port = open_port(peer.url)
    peer.say(b"last words\n")
    time.sleep(0.1)
    peer.pull_plug()
    time.sleep(0.1)
    assert port.read(0.5) == b"last words\n"
    with pytest.raises(LinkLost):
        port.read(0.5)
    port.close()


def test_closing_wakes_a_reader_and_may_be_repeated(peer):
    port = open_port(peer.url)
    failures = []

    def read() -> None:
        try:
            port.read(10.0)
        except LinkLost as error:
            failures.append(error)

    thread = threading.Thread(target=read)
    thread.start()
    time.sleep(0.05)
    before_s = time.monotonic()
    port.close()
    port.close()
    thread.join(2)
    assert time.monotonic() - before_s < 1.0
    assert "closed here" in str(failures[0])
    with pytest.raises(LinkLost, match="closed here"):
        port.write(b"x")


def test_a_port_that_takes_nothing_is_lost_within_a_bound(peer):
    peer.stop_reading()
    port = open_port(peer.url)
    before_s = time.monotonic()
    with pytest.raises(LinkLost, match="takes no more bytes"):
        repeat(lambda: port.write(b"x" * 4096))
    assert time.monotonic() - before_s < 1.5
    port.close()


@pytest.fixture
def two_ports(monkeypatch):
    """A machine with a USB board and a port on the mainboard."""
    usb = SimpleNamespace(
        device="/dev/ttyACM0", description="board", vid=0x2E8A, pid=10, serial_number="E660"
    )
    plain = SimpleNamespace(
        device="/dev/ttyS0", description="n/a", vid=None, pid=None, serial_number=None
    )
    monkeypatch.setattr(list_ports, "comports", lambda: [plain, usb])


USB = SerialPort("/dev/ttyACM0", "board", 0x2E8A, 10, "E660")
PLAIN = SerialPort("/dev/ttyS0", "", None, None, None)


@pytest.mark.usefixtures("two_ports")
def test_ports_without_usb_are_listed_only_on_request():
    assert list_serial_ports() == [USB]
    assert list_serial_ports(every=True) == [USB, PLAIN]


@pytest.mark.usefixtures("two_ports")
def test_no_such_port_lists_what_there_is():
    with pytest.raises(PortUnavailable) as caught:
        open_port("/dev/nowhere")
    assert str(caught.value) == (
        "there is no port /dev/nowhere; plug it in, or take one of: /dev/ttyACM0, /dev/ttyS0, "
        "sim://"
    )


def test_no_such_port_where_there_is_none(monkeypatch):
    monkeypatch.setattr(list_ports, "comports", list)
    with pytest.raises(PortUnavailable, match=r"take one of: none, sim://$"):
        open_port("/dev/nowhere")


def test_the_program_that_holds_a_port_is_named(peer, monkeypatch):
    def refuse(url, **kwargs):
        raise serial.SerialException(errno.EBUSY, "busy")

    monkeypatch.setattr(port_module.serial, "serial_for_url", refuse)
    with open(peer.url, encoding="ascii") as terminal:
        holder = subprocess.Popen(["sleep", "60"], stdin=terminal)
    try:
        with pytest.raises(PortUnavailable) as caught:
            open_port(peer.url)
    finally:
        holder.kill()
        holder.wait()
    assert str(caught.value) == (
        f"the port {peer.url} is in use by sleep (process {holder.pid}); close that, then try again"
    )


def test_a_file_is_no_serial_port(tmp_path):
    plain = tmp_path / "plain"
    plain.write_text("text")
    with pytest.raises(PortUnavailable, match="no serial port"):
        open_port(str(plain))
    assert plain.read_text() == "text"


def test_a_folder_is_no_serial_port(tmp_path):
    with pytest.raises(PortUnavailable, match="no serial port"):
        open_port(str(tmp_path))


def test_a_port_in_use_says_so(peer):
    port = open_port(peer.url)
    with pytest.raises(PortUnavailable) as caught:
        open_port(peer.url)
    assert str(caught.value) == (
        f"the port {peer.url} is in use by another program; close that, then try again"
    )
    port.close()


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.EACCES, "is not open to this user; run `sudo usermod -a -G dialout"),
        (errno.EPERM, "is not open to this user; run `sudo usermod -a -G dialout"),
        (errno.EBUSY, "is in use by"),
        (errno.EAGAIN, "is in use by"),
        (errno.ENXIO, "plug it in"),
        (errno.ENODEV, "plug it in"),
        (errno.ECONNREFUSED, "nothing answers at /dev/ttyACM9; start the server there"),
        (errno.EISDIR, "is no serial port; `arcstep ports` lists"),
        (errno.ENOTTY, "is no serial port; `arcstep ports` lists"),
        (errno.EINVAL, "is no serial port; `arcstep ports` lists"),
        (errno.EIO, f"cannot be opened: {os.strerror(errno.EIO)}; `arcstep ports` lists"),
    ],
)
def test_each_reason_of_the_system_has_its_own_next_step(monkeypatch, number, says):
    def refuse(url, **kwargs):
        raise serial.SerialException(number, f"could not open port {url}: {os.strerror(number)}")

    monkeypatch.setattr(port_module.serial, "serial_for_url", refuse)
    with pytest.raises(PortUnavailable, match=says) as caught:
        open_port("/dev/ttyACM9")
    assert "/dev/ttyACM9" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_unknown_kind_of_port_names_the_kinds():
    with pytest.raises(PortUnavailable) as caught:
        open_port("carrier://pigeon")
    assert str(caught.value) == (
        "the port carrier://pigeon is of a kind that is not known; give a device path, "
        "socket://HOST:PORT, rfc2217://HOST:PORT or sim://"
    )


def test_a_wrong_value_in_a_known_kind_of_port_is_passed_on(monkeypatch):
    def refuse(url, **kwargs):
        raise ValueError("no such option\nat all")

    monkeypatch.setattr(port_module.serial, "serial_for_url", refuse)
    with pytest.raises(PortUnavailable) as caught:
        open_port("socket://x")
    assert str(caught.value) == (
        "the port socket://x cannot be opened: no such option at all; `arcstep ports` lists the "
        "ports"
    )


def test_errors_of_this_program_pass_as_they_are(monkeypatch):
    def refuse(url, **kwargs):
        raise YardError("no such yard")

    monkeypatch.setattr(port_module.serial, "serial_for_url", refuse)
    with pytest.raises(YardError, match=r"^no such yard$"):
        open_port("sim://nowhere")


def test_of_what_nobody_reads_the_newest_64_kib_stay(monkeypatch):
    class Device:
        """Has 100 000 bytes to give, one kind after the other, and then none."""

        in_waiting = 0

        def __init__(self):
            self.left = [b"a" * 60_000, b"b" * 40_000]

        def read(self, size):
            if not self.left:
                time.sleep(0.001)
                return b""
            return self.left.pop(0)

        def close(self):
            pass

    device = Device()
    monkeypatch.setattr(port_module.serial, "serial_for_url", lambda url, **kwargs: device)
    port = open_port("any")
    end_s = time.monotonic() + 10
    while device.left and time.monotonic() < end_s:
        time.sleep(0.001)
    port.close()
    assert port.read(0.0) == b"a" * (65_536 - 40_000) + b"b" * 40_000


@pytest.mark.parametrize(
    "url", ["socket://127.0.0.1:1", "socket://127.0.0.1", "socket://:x", "socket://", ""]
)
def test_a_socket_that_cannot_be_is_one_sentence(url):
    with pytest.raises(PortUnavailable) as caught:
        open_port(url)
    assert "\n" not in str(caught.value)


@pytest.mark.filterwarnings("error")
def test_a_socket_whose_peer_has_gone_is_closed_all_the_same():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = open_port(f"socket://127.0.0.1:{listener.getsockname()[1]}")
        inner = port._device._socket
        near, _ = listener.accept()
        near.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        near.close()  # a reset, so that shutdown fails at the other end
        with pytest.raises(LinkLost):
            repeat(lambda: port.read(0.05))
        port.close()
        assert inner.fileno() == -1
