"""The state file: written whole and only when changed, and refused where it is another's."""

from __future__ import annotations

import json
import stat

import pytest

from bridge.errors import YardError
from bridge.link.client import Adapter
from sim.protocol_sim import register
from sim.state_file import StateFile

register()


def test_state_is_written_whole_read_back_and_only_when_changed(tmp_path):
    path = tmp_path / "state.json"
    file = StateFile(path, "larkmere")
    assert file.load() == (None, 0)
    file.save({"count": 5}, 3)
    assert StateFile(path, "larkmere").load() == ({"count": 5}, 3)
    stamp = path.stat().st_mtime_ns
    file.save({"count": 5}, 3)
    assert path.stat().st_mtime_ns == stamp
    file.save({"count": 6}, 3)
    assert StateFile(path, "larkmere").load() == ({"count": 6}, 3)
    assert [it.name for it in tmp_path.iterdir()] == ["state.json"]


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"format": 2}', '{"format":1,"yard":"larkmere","boot":"x"}', "\xff"]
)
def test_a_file_that_holds_no_state_is_refused_and_left_alone(tmp_path, text):
    path = tmp_path / "state.json"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(YardError, match=r"state\.json") as caught:
        Adapter.open(f"sim://larkmere?state={path}")
    assert "name another" in str(caught.value)
    assert path.read_bytes() == text.encode("latin-1")


def test_the_state_of_another_yard_is_refused(tmp_path):
    path = tmp_path / "state.json"
    StateFile(path, "elsewhere").save({}, 1)
    with pytest.raises(YardError, match=r"elsewhere.*larkmere"):
        Adapter.open(f"sim://larkmere?state={path}")


def test_a_state_file_that_cannot_be_written_is_refused_at_once(tmp_path):
    with pytest.raises(YardError, match="cannot be written"):
        Adapter.open(f"sim://larkmere?state={tmp_path}/no/such/folder/state.json")


def test_its_form_is_json_with_yard_boot_and_memory(tmp_path):
    path = tmp_path / "state.json"
    StateFile(path, "larkmere").save({"count": 5}, 3)
    assert json.loads(path.read_text()) == {
        "format": 1,
        "yard": "larkmere",
        "boot": 3,
        "positioner": {"count": 5},
    }


def test_a_link_is_followed_and_the_mode_kept(tmp_path):
    real, link = tmp_path / "real.json", tmp_path / "link.json"
    StateFile(real, "larkmere").save({"count": 5}, 3)
    real.chmod(0o640)
    link.symlink_to(real)
    StateFile(link, "larkmere").save({"count": 6}, 3)
    assert link.is_symlink()
    assert json.loads(real.read_text())["positioner"] == {"count": 6}
    assert stat.S_IMODE(real.stat().st_mode) == 0o640


@pytest.mark.parametrize(
    ("key", "value"),
    [("format", 2), ("yard", 3), ("boot", "3"), ("boot", 1.5), ("positioner", []), ("boot", None)],
)
def test_a_damaged_value_is_one_sentence(tmp_path, key, value):
    path = tmp_path / "state.json"
    content = {"format": 1, "yard": "larkmere", "boot": 3, "positioner": {}}
    path.write_text(json.dumps(content | {key: value}))
    with pytest.raises(YardError) as caught:
        StateFile(path, "larkmere").load()
    assert str(caught.value) == (
        f"{path}: this is no state file of format 1; name another, or move it away to start from "
        "new"
    )


def test_a_folder_is_no_state_file(tmp_path):
    with pytest.raises(YardError) as caught:
        StateFile(tmp_path, "larkmere").load()
    assert str(caught.value) == (
        f"{tmp_path}: the state file cannot be read: Is a directory; name another"
    )
