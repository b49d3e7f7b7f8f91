"""The last records, numbered and stamped with time and count."""

from __future__ import annotations

import threading

from bridge.log.buffer import LogBuffer
from bridge.log.record import Kind, Record

KEPT = 2000  # records


def details(records: list[Record]) -> list[str]:
    return [record.detail for record in records]


def test_records_are_numbered_from_1_and_stamped() -> None:
    log = LogBuffer(iter([5.0, 6.5]).__next__)
    log.add(Record(Kind.NOTE, detail="first"))
    log.count = 480
    log.add(Record(Kind.NOTE, detail="second", seq=99, t_s=99.0, count=99))
    first, second = log.since(0)
    assert (first.seq, first.t_s, first.count, first.detail) == (1, 5.0, None, "first")
    assert (second.seq, second.t_s, second.count, second.detail) == (2, 6.5, 480, "second")


def test_the_oldest_are_forgotten_and_the_rest_is_followed_by_number() -> None:
    log = LogBuffer(lambda: 0.0)
    for number in range(1, KEPT + 11):
        log.add(Record(Kind.NOTE, detail=str(number)))
    assert details(log.since(0)) == [str(n) for n in range(11, KEPT + 11)]
    assert details(log.since(10)) == details(log.since(0))
    assert log.since(11)[0].detail == "12"
    newest = KEPT + 10
    assert details(log.since(newest - 2)) == [str(newest - 1), str(newest)]
    assert log.since(newest) == []
    assert log.since(newest + 5) == []


def test_a_short_log_is_followed_too() -> None:
    log = LogBuffer(lambda: 0.0)
    assert log.since(0) == []
    log.add(Record(Kind.NOTE, detail="a"))
    log.add(Record(Kind.NOTE, detail="b"))
    assert details(log.since(0)) == ["a", "b"]
    assert details(log.since(1)) == ["b"]


def test_writers_in_many_threads_lose_nothing() -> None:
    log = LogBuffer(lambda: 0.0)

    def write() -> None:
        for _ in range(100):
            log.add(Record(Kind.NOTE))

    threads = [threading.Thread(target=write) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [record.seq for record in log.since(0)] == list(range(1, 801))
