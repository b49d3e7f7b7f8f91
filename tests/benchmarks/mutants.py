"""How many small faults, put into a room at random, the tests of that room notice.

    python tests/benchmarks/mutants.py guard helm --sample 30 --seed 1

A mutant is one change of one place: a comparison flipped or moved by one, a condition negated,
`and` for `or`, plus for minus, a constant moved, a statement deleted. Each is put into a copy of
the tree, and the tests of the room run there until one fails. What lives is printed with its
place. `equivalent_mutants.txt` holds those that change nothing anybody could see, each with the
reason; they are counted apart.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

ROOT = Path(__file__).parents[2]
EQUIVALENT = Path(__file__).with_name("equivalent_mutants.txt")
LONGEST_S = 240.0  # s; a mutant whose tests hang that long is killed by it (judgement)
FLIPPED: dict[type[ast.cmpop], str] = {
    ast.Lt: ">=", ast.LtE: ">", ast.Gt: "<=", ast.GtE: "<", ast.Eq: "!=", ast.NotEq: "==",
    ast.Is: "is not", ast.IsNot: "is", ast.In: "not in", ast.NotIn: "in",
}  # fmt: skip
MOVED: dict[type[ast.cmpop], str] = {ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">"}
SWAPPED: dict[type[ast.operator], str] = {ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*"}

# A room -> its sources, and the tests that should notice a fault in it, the nearest first.
ROOMS: dict[str, tuple[list[str], list[str]]] = {
    "guard": (["bridge/guard.py"], ["tests/bridge/test_guard.py", "tests/bridge/helm"]),
    "diagnosis": (["bridge/diagnosis.py"], ["tests/bridge/test_diagnosis.py"]),
    "lease": (["sim/lease.py"], ["tests/sim/test_lease.py", "tests/sim/test_adapter.py"]),
    "bus": (["bridge/bus"], ["tests/bridge/bus", "tests/published", "tests/tui/test_encode.py"]),
    "signal": (["bridge/signal"], ["tests/bridge/signal", "tests/bridge/decode"]),
    "decode": (["bridge/decode"], ["tests/bridge/decode", "tests/tui/test_decode.py"]),
    "capture": (["bridge/capture"], ["tests/bridge/capture", "tests/published"]),
    "audit": (["bridge/audit"], ["tests/bridge/audit", "tests/golden"]),
    "link": (["bridge/link"], ["tests/bridge/link", "tests/contract"]),
    "helm": (["bridge/helm"], ["tests/bridge/helm"]),
    "log": (["bridge/log"], ["tests/bridge/log", "tests/tui/test_diff_log.py"]),
    "station": (["bridge/station"], ["tests/bridge/station", "tests/published/test_sheet.py"]),
    "textfile": (["bridge/textfile"], ["tests/bridge/textfile", "tests/bridge/station"]),
    "restore": (["bridge/restore"], ["tests/bridge/restore", "tests/tui/restore"]),
    "sky": (["sim/sky"], ["tests/sim/sky", "tests/published"]),
    "rig": (["sim/rig"], ["tests/sim/rig", "tests/published", "tests/sim/test_yard.py"]),
    "counts": (["sim/counts"], ["tests/sim/counts"]),
    "lists": (["sim/lists"], ["tests/sim/lists", "tests/tui/test_shift.py", "tests/tui"]),
    "sim": (
        ["sim/*.py"],
        ["tests/sim/test_*.py", "tests/contract", "tests/tui/test_known_dish.py"],
    ),
    "commands": (["tui/commands", "tui/*.py"], ["tests/tui/test_*.py", "tests/tui/restore"]),
    "pictures": (["tui/pictures"], ["tests/tui/pictures", "tests/tui/test_plan.py"]),
    "console": (["tui/console"], ["tests/tui/console", "tests/tui/test_terminal.py"]),
}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: `old` at an offset of a file becomes `new`."""

    path: str
    line: int
    start: int
    old: str
    new: str
    source_line: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.old!r} -> {self.new!r} in: {self.source_line}"

    @property
    def key(self) -> str:
        """What tells it from others as long as its line stands as it is."""
        return f"{self.path} | {self.source_line} | {self.old} -> {self.new}"


class Finder:
    """The mutants of one file."""

    def __init__(self, path: Path) -> None:
        self.path = path.relative_to(ROOT).as_posix()
        self.text = path.read_text(encoding="utf-8")
        self.starts = [0]
        for line in self.text.encode().splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))
        self.raw = self.text.encode()

    def _span(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        start = self.starts[node.lineno - 1] + node.col_offset
        return start, self.starts[node.end_lineno - 1] + node.end_col_offset

    def _make(self, start: int, end: int, new: str) -> Mutant:
        line = self.raw[:start].count(b"\n") + 1
        shown = self.text.splitlines()[line - 1].strip()
        old = self.raw[start:end].decode()
        return Mutant(self.path, line, start, old, new, shown)

    def find(self) -> Iterator[Mutant]:
        tree = ast.parse(self.text)
        skipped = set()
        for node in ast.walk(tree):
            for field in ("annotation", "returns"):
                if isinstance(inner := getattr(node, field, None), ast.AST):
                    skipped |= {id(each) for each in ast.walk(inner)}
            if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
                skipped |= {id(each) for each in ast.walk(node)}
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                skipped |= {id(each) for outer in node.decorator_list for each in ast.walk(outer)}
            if isinstance(node, ast.JoinedStr | ast.Assert | ast.Raise):
                skipped |= {id(each) for each in ast.walk(node)}  # sentences: read, not counted
        for node in ast.walk(tree):
            if id(node) not in skipped:
                yield from self._of(node)

    def _of(self, node: ast.AST) -> Iterator[Mutant]:
        match node:
            case ast.Compare(left=left, ops=[op], comparators=[right]):
                start, end = self._span(left)[1], self._span(right)[0]
                between = self.raw[start:end].decode()
                for table in (FLIPPED, MOVED):
                    if type(op) in table and "(" not in between and ")" not in between:
                        yield self._make(start, end, f" {table[type(op)]} ")
            case ast.BoolOp(op=op, values=[left, right, *_]):
                start, end = self._span(left)[1], self._span(right)[0]
                between = self.raw[start:end].decode()
                if between.strip() in ("and", "or"):
                    yield self._make(start, end, " or " if isinstance(op, ast.And) else " and ")
            case ast.BinOp(left=left, op=op, right=right) if type(op) in SWAPPED:
                start, end = self._span(left)[1], self._span(right)[0]
                if self.raw[start:end].decode().strip() in ("+", "-", "*", "/"):
                    yield self._make(start, end, f" {SWAPPED[type(op)]} ")
            case ast.Constant(value=bool(value)):
                yield self._make(*self._span(node), str(not value))
            case ast.Constant(value=int(value)):
                yield self._make(*self._span(node), str(value + 1))
            case ast.Constant(value=float(value)):
                yield self._make(*self._span(node), repr(value * 1.3 if value else 1.0))
            case ast.If(test=test) | ast.IfExp(test=test) | ast.While(test=test):
                start, end = self._span(test)
                yield self._make(start, end, f"(not ({self.raw[start:end].decode()}))")
            case ast.Expr(value=ast.Call()) | ast.AugAssign():
                yield self._make(*self._span(node), "pass")
            case ast.Assign(targets=[ast.Attribute() | ast.Subscript()]):
                yield self._make(*self._span(node), "pass")
            case ast.Return(value=ast.expr() as value) if not isinstance(value, ast.Constant):
                yield self._make(*self._span(value), "None")


def expand(patterns: list[str], suffix: str = "") -> list[Path]:
    found: list[Path] = []
    for pattern in patterns:
        for path in sorted(ROOT.glob(pattern)):
            found += sorted(path.rglob(f"*{suffix}")) if path.is_dir() and suffix else [path]
    return found


def mutants_of(room: str) -> list[Mutant]:
    sources = [path for path in expand(ROOMS[room][0], ".py") if path.name != "__init__.py"]
    return [mutant for path in sources for mutant in Finder(path).find()]


def tests_of(room: str, mutant: Mutant) -> list[str]:
    """The tests of a room, those named like the file first."""
    files = [
        path
        for path in expand(ROOMS[room][1], ".py")
        if path.name.startswith("test_") and path.suffix == ".py"
    ]
    name = f"test_{Path(mutant.path).name}"
    files.sort(key=lambda path: path.name != name)
    return [path.relative_to(ROOT).as_posix() for path in dict.fromkeys(files)]


def copy_tree(target: Path) -> None:
    for name in ("bridge", "sim", "tui", "tests", "captures_demo", "pyproject.toml", "README.md"):
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, target / name, ignore=shutil.ignore_patterns("__pycache__"))
        elif source.exists():
            shutil.copy(source, target / name)
    if (ROOT.parent / "shared").exists() and not (target.parent / "shared").exists():
        (target.parent / "shared").symlink_to((ROOT.parent / "shared").resolve())


def is_killed(tree: Path, room: str, mutant: Mutant) -> bool:
    path = tree / mutant.path
    before = path.read_bytes()
    end = mutant.start + len(mutant.old.encode())
    path.write_bytes(before[: mutant.start] + mutant.new.encode() + before[end:])
    command = [
        sys.executable, "-m", "pytest", "-x", "-q", "-n0", "-p", "no:cacheprovider",
        *tests_of(room, mutant), mutant.path,
    ]  # fmt: skip
    try:
        done = subprocess.run(
            command,
            cwd=tree,
            env={**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"},
            capture_output=True,
            timeout=LONGEST_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return True
    finally:
        path.write_bytes(before)
    return done.returncode != 0


def known_equivalent() -> frozenset[str]:
    if not EQUIVALENT.exists():
        return frozenset()
    lines = EQUIVALENT.read_text(encoding="utf-8").splitlines()
    return frozenset(line for line in lines if line and not line.startswith("#"))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rooms", nargs="*", default=list(ROOMS), help="default: all")
    parser.add_argument("--sample", type=int, default=30, help="mutants a room; 0: all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--file", help="only of files whose path holds this")
    given = parser.parse_args()
    equivalent = known_equivalent()
    with tempfile.TemporaryDirectory() as folder:
        trees: SimpleQueue[Path] = SimpleQueue()
        for n in range(given.jobs):
            copy_tree(Path(folder) / f"tree{n}")
            trees.put(Path(folder) / f"tree{n}")

        def judge(room: str, mutant: Mutant) -> tuple[Mutant, bool]:
            tree = trees.get()
            try:
                return mutant, is_killed(tree, room, mutant)
            finally:
                trees.put(tree)

        for room in given.rooms:
            found = mutants_of(room)
            if given.file:
                found = [mutant for mutant in found if given.file in mutant.path]
            chosen = found
            if 0 < given.sample < len(found):
                chosen = random.Random(given.seed).sample(found, given.sample)
            counted = [mutant for mutant in chosen if mutant.key not in equivalent]
            begun_s = time.monotonic()
            with ThreadPoolExecutor(given.jobs) as pool:
                results = list(pool.map(lambda mutant, room=room: judge(room, mutant), counted))
            living = [mutant for mutant, killed in results if not killed]
            killed = len(counted) - len(living)
            share = 100 * killed / len(counted) if counted else 100.0
            print(
                f"{room:10} {killed:3} of {len(counted):3} killed ({share:5.1f} %), "
                f"{len(chosen) - len(counted)} equivalent left out, of {len(found)} possible; "
                f"{time.monotonic() - begun_s:.0f} s",
                flush=True,
            )
            for mutant in living:
                print(f"    lives: {mutant}", flush=True)


if __name__ == "__main__":
    main()
