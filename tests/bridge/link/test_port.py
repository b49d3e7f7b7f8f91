"""The port: what goes in comes out, and every way to fail is one sentence with a next step."""

from __future__ import annotations

import errno
import os
import socket
import struct
import threading
import time

import pytest
import serial

from bridge.errors import LinkLost, PortUnavailable
from bridge.link import port as port_module
from bridge.link.port import list_serial_ports, open_port


def again(deed, *, times: int = 100) -> None:
    for _ in range(times):
        deed()
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
        again(lambda: port.write(b"x\n"))
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
        again(lambda: port.write(b"x" * 4096))
    assert time.monotonic() - before_s < 1.5
    port.close()


def test_no_such_port_lists_what_there_is():
    with pytest.raises(PortUnavailable, match=r"no port /dev/nowhere.*sim://"):
        open_port("/dev/nowhere")


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
    with pytest.raises(PortUnavailable, match="in use by"):
        open_port(peer.url)
    port.close()


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.EACCES, "dialout"),
        (errno.EBUSY, "in use"),
        (errno.EAGAIN, "in use"),
        (errno.ENXIO, "plug it in"),
        (errno.EIO, os.strerror(errno.EIO)),
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
    with pytest.raises(PortUnavailable, match="of a kind that is not known"):
        open_port("carrier://pigeon")


@pytest.mark.parametrize(
    "url", ["socket://127.0.0.1:1", "socket://127.0.0.1", "socket://:x", "socket://", ""]
)
def test_a_socket_that_cannot_be_is_one_sentence(url):
    with pytest.raises(PortUnavailable) as caught:
        open_port(url)
    assert "\n" not in str(caught.value)


def test_ports_without_usb_are_listed_only_on_request():
    assert all(port.vendor_id is not None for port in list_serial_ports())
    assert len(list_serial_ports(every=True)) >= len(list_serial_ports())


@pytest.mark.filterwarnings("error")
def test_a_socket_whose_peer_has_gone_is_closed_all_the_same():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = open_port(f"socket://127.0.0.1:{listener.getsockname()[1]}")
        inner = port._device._socket
        near, _ = listener.accept()
        near.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        near.close()  # a reset, so that shutdown fails at the other end
        with pytest.raises(LinkLost):
            again(lambda: port.read(0.05))
        port.close()
        assert inner.fileno() == -1
