"""Run wallguard on hostile inputs under limits: built attacks, and mutations of all that comes from
outside.

    python tests/campaign_hostile.py [NAME ...] [--rules layered|space]  # built attacks, a table
    python tests/campaign_hostile.py --minutes N [TARGET ...]         # attacks, then mutations
    python tests/campaign_hostile.py --rounds N --seed S [TARGET ...]  # so many mutations: CI
    python tests/campaign_hostile.py --minutes N --jobs 2             # two targets at a time
    python tests/campaign_hostile.py --again TARGET FILE              # one input, with its trace
    python tests/campaign_hostile.py --guided TARGET --minutes N      # by coverage, with atheris
    python tests/campaign_hostile.py --sum SUMMARY ...                # several runs, added up

The limits: 20 s and 1 GB for a file of up to 1 MB, 60 s and 2 GB above. Seconds are those of the
processor, as other programs may be running; memory is the largest of any process. Built attacks are
the files of `hostile.py`, each run by a wallguard of its own. Mutations are made and read by the
thousand in processes that are forked and held to the limits; a part that breaks one there is given
to a wallguard of its own, which may well end it itself. One seed gives the same inputs again.

Ends with 1 where a limit is broken, or where a run ends in a way that is none of wallguard's.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import json
import math
import mmap
import multiprocessing
import os
import random
import resource
import secrets
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from hostile_inputs import Target

BASE = "wallguard: 1\nname: test\nprocess: {category: %s}\nlayer_height: 0.2\n"
LIMITS = "minimum:\n  wall: {fail: 0.8}\n  gap: {fail: 0.4}\n  hole: {fail: 1}\n  pin: {fail: 1}\n"
BEADS = (
    "beads: {width: 0.575, contours: 2, smallest_wall: 0.5, squeeze: 0.075, smallest_fill: 0.575,\n"
    "        spacing: width}\n"
)
RULES = {
    "layered": BASE % "material extrusion" + BEADS + LIMITS,
    "space": BASE % "vat photopolymerization" + LIMITS,
}
SMALL = 1_000_000
# What a file of up to SMALL bytes may take, and one above: seconds, and GB.
_MOST, _MOST_LARGE = (20, 1.0), (60, 2.0)
# Above this a run is ended, whatever wallguard itself does; bytes of address space.
_MOST_SECONDS, _MOST_MEMORY = 120, 6 * 1024**3
# Of mutations: the largest input, and from what size on a mistake's input is not kept in a summary.
_LARGEST, _KEPT = 4 * 1024**2, 6000
# Shares of a round are divided into forked processes of so many inputs.
_BATCH = 100


@dataclass(frozen=True)
class Run:
    """What became of one file."""

    name: str
    size: int
    seconds: float
    memory: float
    code: int
    said: str

    @property
    def bad(self) -> str:
        """What is wrong, in a word."""
        most = _MOST if self.size <= SMALL else _MOST_LARGE
        found = [
            word
            for word, wrong in (
                ("time", self.seconds > most[0]),
                ("memory", self.memory > most[1]),
                ("code", self.code not in (0, 1, 2)),
                ("trace", any(word in self.said for word in _TRACES)),
            )
            if wrong
        ]
        return " ".join(found)

    @property
    def outcome(self) -> str:
        """What wallguard made of it, in a word or two."""
        if self.bad:
            return self.bad.upper()
        if "of the processor's time" in self.said or "of memory (" in self.said:
            return "given up"
        return {0: "passed", 1: "failed"}.get(self.code, "refused")


_TRACES = ("Traceback", "RuntimeWarning", "went wrong inside")


def run(path: Path, name: str, rules: Path) -> Run:
    """Check a file in a process of its own, and remove it."""
    size = path.stat().st_size
    words = ["prlimit", f"--as={_MOST_MEMORY}", f"--cpu={_MOST_SECONDS}", "--", sys.executable]
    words += ["-m", "wallguard", "check", "--brief", "--no-cache", "--rules"]
    begun = time.monotonic()
    with tempfile.TemporaryFile() as out:
        process = subprocess.Popen(
            [*words, str(rules), str(path)], stdout=out, stderr=out, cwd=path.parent
        )
        code, used = 0, None
        while used is None:
            pid, status, rusage = os.wait4(process.pid, os.WNOHANG)
            if pid:
                code, used = os.waitstatus_to_exitcode(status), rusage
            elif time.monotonic() - begun > 10 * _MOST_SECONDS:
                os.kill(process.pid, signal.SIGKILL)  # not by `process`, which would reap it
            else:
                time.sleep(0.05)
        out.seek(0)
        said = " ".join(out.read().decode("utf-8", "replace").split())
    path.unlink()
    seconds = used.ru_utime + used.ru_stime
    said = said.replace(str(path.parent), "")
    return Run(name, size, seconds, used.ru_maxrss / 1024**2, code, said)


def attacks(names: Sequence[str], kinds: Sequence[str], until: float = math.inf) -> Iterator[Run]:
    """Built attacks, each run in its turn and told of, until it is too late for another."""
    from hostile import HOSTILE

    print(
        f"{'built attack':37}{'MB':>7}{'s':>7}{'GB':>6} exit  outcome   what was said", flush=True
    )
    with tempfile.TemporaryDirectory(prefix="hostile-") as place:
        for kind in kinds:
            rules = Path(place) / f"{kind}.yaml"
            rules.write_text(RULES[kind])
            for name in names:
                if time.monotonic() > until:
                    return
                suffix, write = HOSTILE[name]
                path = Path(place) / f"{name}{suffix}"
                write(path)
                one = run(path, f"{name}, {kind}", rules)
                print(
                    f"{one.name:37}{one.size / 1e6:7.3f}{one.seconds:7.1f}{one.memory:6.2f} "
                    f"{one.code:4}  {one.outcome:9} {one.said[:150]}",
                    flush=True,
                )
                yield one


# Mutations


@dataclass
class Mistake:
    """A way in which wallguard went wrong: its trace, how often, and the smallest input."""

    target: str
    trace: str
    count: int
    data: bytes

    @property
    def key(self) -> str:
        """The same for the same mistake."""
        return self.trace.partition("\n")[0]


@dataclass
class Tally:
    """What became of inputs of one target.

    words     how far they got; seconds: of the processor; memory: what any added to its process, MB
    slowest, largest  seconds and size of the slowest input, and the size of the largest
    suspects  parts that broke a limit, for a wallguard of its own
    """

    inputs: int = 0
    seconds: float = 0.0
    words: Counter[str] = field(default_factory=Counter)
    slowest: tuple[float, int] = (0.0, 0)
    largest: int = 0
    memory: float = 0.0
    mistakes: dict[str, Mistake] = field(default_factory=dict)
    suspects: list[bytes] = field(default_factory=list)

    def note(self, mistake: Mistake) -> None:
        """Take in a mistake: each kind once, with the smallest input that shows it."""
        known = self.mistakes.setdefault(mistake.key, mistake)
        if known is not mistake:
            known.count += mistake.count
            if len(mistake.data) < len(known.data):
                known.data, known.trace = mistake.data, mistake.trace

    def add(self, other: Tally) -> None:
        """Take in what another process found."""
        self.inputs += other.inputs
        self.seconds += other.seconds
        self.words += other.words
        self.slowest = max(self.slowest, other.slowest)
        self.largest = max(self.largest, other.largest)
        self.memory = max(self.memory, other.memory)
        self.suspects += other.suspects
        for mistake in other.mistakes.values():
            self.note(mistake)


class _TookLongError(BaseException):
    pass


class _Current:
    """The input that a process is at, where others can read it when that process is gone."""

    def __init__(self) -> None:
        self._shared = mmap.mmap(-1, _LARGEST + 16)

    def put(self, number: int, data: bytes) -> None:
        self._shared[:16] = number.to_bytes(8, "little") + len(data).to_bytes(8, "little")
        self._shared[16 : 16 + len(data)] = data

    def get(self) -> tuple[int, bytes]:
        number, size = (int.from_bytes(self._shared[at : at + 8], "little") for at in (0, 8))
        return number, bytes(self._shared[16 : 16 + size])


@contextmanager
def _limited(size: int) -> Iterator[None]:
    """Raises _TookLongError in what takes longer than an input of a size may, and ends the process
    that does not come back even then."""
    seconds = (_MOST if size <= SMALL else _MOST_LARGE)[0]

    def ring(*_: object) -> None:
        raise _TookLongError

    _, hard = resource.getrlimit(resource.RLIMIT_CPU)
    resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(time.process_time()) + 2 * seconds, hard))
    signal.signal(signal.SIGVTALRM, ring)
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds, 1.0)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)


def _resident() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _while_checking(error: BaseException) -> bool:
    """Whether a part was being checked."""
    from hostile_inputs import PartTooLargeError

    if isinstance(error, PartTooLargeError):
        return True
    return any(f.name == "check_part" for f in traceback.extract_tb(error.__traceback__))


def trace_of(error: BaseException) -> str:
    """A line by which a mistake is known again, and how it came about."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [frame for frame in frames if f"{os.sep}wallguard{os.sep}" in frame.filename]
    where = " < ".join(
        f"{Path(frame.filename).name}:{frame.lineno} {frame.name}"
        for frame in [*frames[-1:], *reversed(ours)][:3]
    )
    return f"{type(error).__name__} {where}\n" + "".join(traceback.format_exception(error))[-4000:]


class Reader:
    """Reads inputs of one target and keeps count."""

    def __init__(self, name: str, target: Target, current: _Current | None = None) -> None:
        self.name, self.target, self.current = name, target, current
        self.tally = Tally()
        self._place = tempfile.TemporaryDirectory(prefix="hostile-")
        self.folder = Path(self._place.name).resolve() / "at"
        self.folder.mkdir()

    def __call__(self, data: bytes) -> None:
        """Read one."""
        from hostile_inputs import read

        if len(data) > _LARGEST:
            return
        tally = self.tally
        if self.current:
            self.current.put(tally.inputs + 1, data)
        begun, before = time.process_time(), _resident()
        try:
            with _limited(len(data)):
                word = read(self.target.run, data, self.folder)
        except (_TookLongError, MemoryError) as error:
            word = "memory" if isinstance(error, MemoryError) else "time"
            if self.target.part:
                tally.suspects.append(data)
            elif _while_checking(error):  # wallguard does that in a process of its own
                word = f"given up: {word}"
            else:
                tally.note(Mistake(self.name, trace_of(error), 1, data))
        except Exception as error:
            word = "mistake"
            tally.note(Mistake(self.name, trace_of(error), 1, data))
        seconds = time.process_time() - begun
        tally.inputs += 1
        tally.seconds += seconds
        tally.words[word] += 1
        tally.slowest = max(tally.slowest, (round(seconds, 3), len(data)))
        tally.largest = max(tally.largest, len(data))
        tally.memory = max(tally.memory, _resident() - before)

    def close(self) -> None:
        """Remove what was written."""
        self._place.cleanup()


def _many(reader: Reader, count: int, seed: int) -> Any:
    """A test of hypothesis that reads so many inputs."""
    from hypothesis import HealthCheck, Phase, given, settings
    from hypothesis import seed as seeded

    how = settings(
        max_examples=count,
        phases=[Phase.generate],
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )

    def one(data: bytes) -> None:
        reader(data)

    return how(seeded(seed)(given(reader.target.inputs())(one)))


def _child(reader: Reader, count: int, seed: int, way: Connection) -> None:
    """Read so many inputs in a process of its own, and send what became of them."""
    quiet = os.open(os.devnull, os.O_RDWR)
    for stream in range(3):
        os.dup2(quiet, stream)
    from wallguard.jobs.limits import _data

    most = _data() + int(_MOST[1] * 1024**3)
    resource.setrlimit(resource.RLIMIT_DATA, (most, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    from hypothesis.errors import Flaky

    try:
        _many(reader, count, seed)()
    except Flaky:  # what is drawn did not follow from what was drawn before: the rest is left out
        reader.tally.words["batch cut short"] += 1
        way.send(reader.tally)
    except Exception as error:  # of the campaign itself
        way.send("".join(traceback.format_exception(error))[:20_000])
    else:
        way.send(reader.tally)


def batch(name: str, target: Target, count: int, seed: int) -> Tally:
    """What becomes of so many inputs in a process that is forked for them."""
    forked = multiprocessing.get_context("fork")
    current = _Current()
    reader = Reader(name, target, current)
    here, there = forked.Pipe(duplex=False)
    process = forked.Process(target=_child, args=(reader, count, seed, there))
    process.start()
    there.close()
    made: Tally | str | None = None
    # Nothing is waited for longer than this; the processor's time is limited by the process.
    with suppress(EOFError):
        if here.poll(40.0 * _MOST_SECONDS):
            made = here.recv()
    if made is None and process.pid:
        os.kill(process.pid, signal.SIGKILL)
    process.join()
    reader.close()
    if isinstance(made, Tally):
        return made
    if isinstance(made, str):
        raise RuntimeError(f"the campaign itself went wrong: {made}")
    # It is gone, and what it was at ended it.
    number, data = current.get()
    lost = Tally(inputs=number, words=Counter({"lost": number - 1, "ended": 1}), largest=len(data))
    why = f"its process ended with {process.exitcode}"
    if target.part:
        lost.suspects.append(data)
    else:
        lost.note(Mistake(name, f"{why} ({name})\n{why}", 1, data))
    return lost


def again(data: bytes, target: Target, name: str) -> Iterator[tuple[str, Run]]:
    """A part that broke a limit, given to wallguards of their own."""
    with tempfile.TemporaryDirectory(prefix="hostile-") as place:
        for kind, said in RULES.items():
            rules = Path(place) / f"{kind}.yaml"
            rules.write_text(said)
            path = Path(place) / f"part{target.part}"
            path.write_bytes(data)
            yield kind, run(path, f"{name}, {kind}", rules)


# What a process that is forked for rounds makes inputs of: functions travel no other way.
_TARGETS: dict[str, Target] = {}


def one_round(name: str, campaign: int, number: int, until: float) -> Tally:
    """One round of mutations of one target, or what of it there is time for."""
    target, tally = _TARGETS[name], Tally()
    left = target.share
    while left > 0 and time.monotonic() < until:
        text = f"{campaign} {name} {number} {left}".encode()
        seed = int.from_bytes(hashlib.blake2b(text, digest_size=8).digest(), "little")
        made = batch(name, target, min(left, _BATCH), seed)
        for data in made.suspects:
            _suspect(name, target, data, tally)
        made.suspects.clear()
        for mistake in made.mistakes.values():
            if mistake.key not in tally.mistakes:
                print(f"! {name}: {mistake.trace}\n", flush=True)
        tally.add(made)
        left -= _BATCH
    return tally


def _suspect(name: str, target: Target, data: bytes, tally: Tally) -> None:
    for kind, one in again(data, target, name):
        tally.words[f"alone: {one.outcome}"] += 1
        print(
            f"? {name}, {kind}: {one.size} bytes {one.seconds:.1f} s {one.memory:.2f} GB "
            f"{one.outcome}: {one.said[:150]}",
            flush=True,
        )
        if one.bad:
            told = f"{one.bad.upper()} {name}, {kind}\n{one.said[:1000]}"
            tally.note(Mistake(name, told, 1, data))


@dataclass
class Campaign:
    """One run of the campaign."""

    seed: int
    tallies: dict[str, Tally] = field(default_factory=dict)
    runs: list[Run] = field(default_factory=list)

    def mutate(
        self, targets: dict[str, Target], rounds: float, until: float, jobs: int = 1
    ) -> None:
        """Rounds of mutations, so many, or until it is too late for more; of so many targets at a
        time."""
        number = 0
        forked = multiprocessing.get_context("fork")
        with ProcessPoolExecutor(
            jobs, forked, initializer=_TARGETS.update, initargs=(targets,)
        ) as pool:
            while number < rounds and time.monotonic() < until:
                # Those whose inputs take longest first, so that none is left alone at the end.
                names = sorted(targets, key=lambda name: not targets[name].part)
                asked = {
                    name: pool.submit(one_round, name, self.seed, number, until) for name in names
                }
                for name in targets:
                    self.tallies.setdefault(name, Tally()).add(asked[name].result())
                number += 1

    def show(self) -> None:
        """Print a table of the targets."""
        print(
            f"{'target':18}{'inputs':>8}{'cpu s':>8}{'slowest s':>11}{'largest B':>11}{'MB':>6}"
            "  mistakes  what became of them"
        )
        for name, tally in sorted(self.tallies.items()):
            words = ", ".join(f"{count} {word}" for word, count in tally.words.most_common())
            print(
                f"{name:18}{tally.inputs:8}{tally.seconds:8.0f}{tally.slowest[0]:11.2f}"
                f"{tally.largest:11}{tally.memory:6.0f}  {len(tally.mistakes):8}  {words}"
            )

    def summary(self) -> dict[str, Any]:
        """What is to be added up over several runs."""
        used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
        return {
            "campaign": "hostile/1",
            "seed": self.seed,
            "core_hours": sum(each.ru_utime + each.ru_stime for each in used) / 3600,
            "targets": {
                name: {
                    "inputs": tally.inputs,
                    "seconds": round(tally.seconds, 1),
                    "slowest": tally.slowest[0],
                    "largest": tally.largest,
                    "memory": round(tally.memory, 1),
                    "words": dict(tally.words),
                }
                for name, tally in sorted(self.tallies.items())
            },
            "attacks": [{**asdict(one), "outcome": one.outcome} for one in self.runs],
            "mistakes": [
                {
                    "target": mistake.target,
                    "trace": mistake.trace,
                    "count": mistake.count,
                    "input": base64.b64encode(mistake.data).decode()
                    if len(mistake.data) <= _KEPT
                    else f"{len(mistake.data)} bytes",
                }
                for tally in self.tallies.values()
                for mistake in tally.mistakes.values()
            ],
        }

    def keep(self, summary: Path | None, inputs: Path | None) -> None:
        """Write the summary, and the input of each mistake."""
        if summary:
            summary.write_text(json.dumps(self.summary(), indent=1) + "\n")
        for tally in self.tallies.values() if inputs else ():
            for mistake in tally.mistakes.values():
                assert inputs is not None
                inputs.mkdir(parents=True, exist_ok=True)
                digest = hashlib.blake2b(mistake.key.encode(), digest_size=6).hexdigest()
                name = f"{mistake.target.replace(' ', '-')}-{digest}"
                (inputs / name).write_bytes(mistake.data)
                (inputs / f"{name}.txt").write_text(mistake.trace)

    @property
    def bad(self) -> int:
        """How much is wrong."""
        found = sum(bool(one.bad) for one in self.runs)
        return found + sum(len(tally.mistakes) for tally in self.tallies.values())


def guided(
    name: str, target: Target, seconds: float, seed: int, keep: Sequence[Path | None]
) -> None:
    """Let atheris choose what hypothesis draws, by what of wallguard's code each input reaches. The
    process is at its end with it."""
    import atheris

    made = Campaign(seed)
    reader = Reader(name, target)
    made.tallies[name] = reader.tally
    one = _many(reader, 1, seed).hypothesis.fuzz_one_input
    end, told = time.monotonic() + seconds, [time.monotonic()]

    def read(data: bytes) -> None:
        one(data)
        if time.monotonic() - told[0] > 20 or time.monotonic() > end:
            told[0] = time.monotonic()
            made.keep(*keep)
            if time.monotonic() > end:
                made.show()
                for mistake in reader.tally.mistakes.values():
                    print(f"! {mistake.trace}")
                sys.stdout.flush()
                reader.close()
                os._exit(bool(made.bad))

    atheris.Setup(
        [
            sys.argv[0],
            f"-seed={seed % 2**31 + 1}",
            "-rss_limit_mb=0",
            "-max_len=8192",
            "-verbosity=0",
        ],
        read,
    )
    atheris.Fuzz()


def added_up(files: Sequence[Path]) -> str:
    """What several runs come to."""
    read = [json.loads(path.read_text()) for path in files]
    inputs: Counter[str] = Counter()
    slowest: dict[str, float] = {}
    mistakes = set()
    for each in read:
        for name, tally in each["targets"].items():
            inputs[name] += tally["inputs"]
            slowest[name] = max(slowest.get(name, 0.0), tally["slowest"])
        mistakes |= {mistake["trace"].partition("\n")[0] for mistake in each["mistakes"]}
    lines = [f"{name:18}{count:10}{slowest[name]:9.2f} s" for name, count in sorted(inputs.items())]
    attacks = sum(len(each["attacks"]) for each in read)
    hours = sum(each["core_hours"] for each in read)
    return "\n".join(
        [
            *lines,
            f"{len(read)} runs, {hours:.2f} core-hours: {sum(inputs.values())} mutations, "
            f"{attacks} built attacks, {len(mistakes)} mistakes",
            *(f"  {line}" for line in sorted(mistakes)),
        ]
    )


def main() -> int:
    """Run the command line; returns the exit code."""
    parser = argparse.ArgumentParser(
        description="Run wallguard on hostile inputs under limits.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog=__doc__,
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help="all, if none is named")
    parser.add_argument("--rules", choices=RULES, help="one kind of rules (default: both)")
    parser.add_argument("--minutes", type=float, help="mutations too, until so long has passed")
    parser.add_argument("--rounds", type=int, help="so many rounds of mutations, and no attacks")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="targets at a time")
    parser.add_argument("--seed", type=int, help="of the mutations (default: another every time)")
    parser.add_argument("--summary", type=Path, metavar="FILE", help="write what can be added up")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="write the input of mistakes")
    parser.add_argument("--again", nargs=2, metavar=("TARGET", "FILE"), help="read one input")
    parser.add_argument("--guided", metavar="TARGET", help="let atheris choose")
    parser.add_argument("--sum", nargs="+", type=Path, metavar="FILE", help="add up summaries")
    asked = parser.parse_args()
    if asked.sum:
        print(added_up(asked.sum))
        return 0
    begun = time.monotonic()
    until = math.inf if asked.minutes is None else begun + 60 * asked.minutes
    seed = secrets.randbits(32) if asked.seed is None else asked.seed
    if asked.guided:
        import atheris

        with atheris.instrument_imports(include=["wallguard"]):
            import hostile_inputs
        target = hostile_inputs.TARGETS[asked.guided]
        guided(asked.guided, target, until - begun, seed, (asked.summary, asked.keep))
    from hostile import HOSTILE
    from hostile_inputs import TARGETS, read, warm

    if asked.again:
        reader = Reader(asked.again[0], TARGETS[asked.again[0]])
        print(read(reader.target.run, Path(asked.again[1]).read_bytes(), reader.folder))
        return 0
    unknown = [name for name in asked.names if name not in HOSTILE and name not in TARGETS]
    if unknown:
        parser.error(f"no such attack or target: {', '.join(unknown)}")
    made = Campaign(seed)
    built = [name for name in asked.names or HOSTILE if name in HOSTILE]
    kinds = [asked.rules] if asked.rules else list(RULES)
    mutated = {name: TARGETS[name] for name in asked.names or TARGETS if name in TARGETS}
    if asked.rounds is None and built:
        if asked.minutes is not None:  # half of the time at most, and others every time
            random.Random(seed).shuffle(built)
            kinds = random.Random(seed).sample(kinds, len(kinds))
        half = begun + (until - begun) / 2
        made.runs += attacks(built, kinds, half if asked.minutes is not None else math.inf)
    if asked.rounds is not None or asked.minutes is not None or not built:
        print(f"seed {seed}", flush=True)
        warm()
        made.mutate(mutated, asked.rounds or (math.inf if asked.minutes else 1), until, asked.jobs)
        made.show()
    made.keep(asked.summary, asked.keep)
    print(f"{made.summary()['core_hours']:.2f} core-hours")
    print(f"{made.bad} beyond a limit, or mistakes" if made.bad else "all within the limits")
    return bool(made.bad)


if __name__ == "__main__":
    sys.exit(main())
