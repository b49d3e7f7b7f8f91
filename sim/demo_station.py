"""The invented demo yard as a station file whose list is taught, to try commands on."""

from __future__ import annotations

from importlib import resources

from sim.yard import parse_yard

DEMO = "larkmere"
EAST_LIMIT, WEST_LIMIT = 45, 985  # counts, well inside the end switches (judgement)


def demo_station() -> str:
    """TOML text of a station: site, dish and mount of the yard, every satellite at its count.

    >>> from bridge.textfile.checked import parse_checked
    >>> from bridge.station.model import Station
    >>> parse_checked(demo_station(), "demo", Station).position[0].count
    94
    """
    text = (resources.files("sim") / "yards" / f"{DEMO}.toml").read_text(encoding="utf-8")
    yard = parse_yard(text, DEMO)
    counts = yard.taught_counts()
    ends = yard.ends
    blocks = [
        text[: text.index("[rig]")].rstrip(),
        f"[limits]\neast = {EAST_LIMIT}\nwest = {WEST_LIMIT}",
        "[ends]                          # what the counter reads at the end switches\n"
        f"east = {ends.east_switch:.0f}\nwest = {ends.west_switch:.0f}",
    ]
    for row in yard.position:
        lines = [f'[[position]]\nnumber = {row.number}\nname = "{row.name}"']
        lines.append(f"longitude_deg = {row.longitude_deg}")
        if row.number in counts:
            lines.append(f"count = {counts[row.number]}")
        lines.append("horizontal_deg = -45.0\nvertical_deg = 45.0")
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks) + "\n"
