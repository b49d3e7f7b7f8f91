"""The journal of a restoration on disk."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import BadInput
from bridge.restore.journal import Journal, JournalEntry, JournalFile, Proof

NOTES = st.text(max_size=20)
ENTRIES = st.builds(
    JournalEntry,
    st.integers(-1000, 1000),
    st.integers(1, 9),
    st.sampled_from(["sent", "acknowledged", "holds"]),
    NOTES,
    st.booleans(),
)
PROOFS = st.builds(Proof, st.integers(-1000, 1000), st.booleans(), NOTES, st.none())
JOURNALS = st.builds(
    Journal,
    st.text(max_size=16),
    st.integers(1, 9),
    st.none() | st.integers(0, 65535),
    st.integers(0, 9),
    st.integers(0, 10**6),
    st.integers(-(10**6), 10**6),
    NOTES,
    st.dictionaries(NOTES, ENTRIES, max_size=4),
    st.dictionaries(NOTES, PROOFS, max_size=4),
    st.booleans(),
)


@given(JOURNALS)
def test_what_is_kept_is_what_comes_back(tmp_path_factory, journal):
    path = tmp_path_factory.getbasetemp() / "kept.json"
    assert Journal.parse(journal.dump(), path) == journal


def test_no_file_is_no_journal(tmp_path):
    assert JournalFile(tmp_path / "none.json").load() is None


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "{}", '{"format": 2}', "null", "\ufeff{}", '{"format": 1, "fingerprint": 3}'],
)
def test_what_is_no_journal_is_refused(tmp_path, text):
    path = tmp_path / "j.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadInput, match=r"j\.json: this is no journal of a restoration; move it"):
        JournalFile(path).load()


@pytest.mark.parametrize(
    ("key", "value"), [("tally", "7"), ("session", None), ("entries", {"x": {}}), ("more", 1)]
)
def test_a_damaged_value_is_refused(tmp_path, key, value):
    path = tmp_path / "j.json"
    content = json.loads(Journal("f").dump()) | {key: value}
    path.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(BadInput, match="no journal"):
        JournalFile(path).load()


def test_two_programs_on_one_journal_are_noticed(tmp_path):
    one, other = JournalFile(tmp_path / "j.json"), JournalFile(tmp_path / "j.json")
    one.load(), other.load()
    one.save(Journal("first"))
    with pytest.raises(BadInput, match="already exists"):
        other.save(Journal("second"))
    other.load()
    one.save(Journal("first", session=2))
    with pytest.raises(BadInput, match="changed by another program"):
        other.save(Journal("second"))


def test_its_folder_is_made(tmp_path):
    file = JournalFile(tmp_path / "deep" / "er" / "j.json")
    file.save(Journal("f"))
    assert file.load() == Journal("f")
    assert [path.name for path in file.path.parent.iterdir()] == ["j.json"]


def test_a_new_session_keeps_what_was_not_disproved():
    journal = Journal("f", finished=True)
    journal.entries = {
        "position 1": JournalEntry(100, 1, "sent"),
        "position 2": JournalEntry(200, 2, "sent"),
        "position 3": JournalEntry(300, 2, "sent"),
        "limit east": JournalEntry(45, 1, "sent", loose=True),
    }
    journal.proofs = {
        "position 1": Proof(100, True),
        "position 2": Proof(230, False),
        "position 9": Proof(9, False),  # of which no entry is left
    }
    journal.begin_session()
    assert list(journal.entries) == ["position 1"]
    assert journal.proofs == {}
    assert (journal.session, journal.finished) == (2, False)


def test_forgetting_leaves_neither_entries_nor_proofs():
    journal = Journal("f", session=3)
    journal.entries["position 1"] = JournalEntry(100, 1, "sent")
    journal.proofs["position 1"] = Proof(100, True)
    journal.forget()
    assert journal == Journal("f", session=3)


def test_an_unchanged_journal_is_not_written_again(tmp_path):
    file = JournalFile(tmp_path / "j.json")
    file.save(Journal("f"))
    stamp = file.path.stat().st_mtime_ns
    file.save(Journal("f"))
    assert file.path.stat().st_mtime_ns == stamp


def test_a_folder_is_no_journal(tmp_path):
    with pytest.raises(BadInput) as caught:
        JournalFile(tmp_path).load()
    assert str(caught.value) == (
        f"{tmp_path}: cannot be read: Is a directory; name another with --journal"
    )


def test_a_folder_that_cannot_be_made_is_one_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    path = tmp_path / "file" / "sub" / "j.json"
    with pytest.raises(BadInput) as caught:
        JournalFile(path).save(Journal("f"))
    assert str(caught.value) == (
        f"{path}: its folder cannot be made: Not a directory; name another with --journal"
    )
