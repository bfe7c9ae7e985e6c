"""A tasting under faults: what can fail, what is checked after each, and the counts."""

from __future__ import annotations

import os
import random
import resource
import sqlite3
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from labkit.book import LabBook
from tests.faults.lead import STEPPING, Lead
from tests.faults.phones import PHONE, WATCHED, Phone
from tests.postgresql import OwnServer
from tests.widgets.serving import TastersServing
from tests.widgets.tables import ATTRIBUTES, SESSION

TOO_SMALL = 4096
"""Bytes a file may have while the disk is full: less than any lab book has."""

DAY_S = 86_400


@dataclass
class Counts:
    """What came of it."""

    faults: Counter[str] = field(default_factory=Counter)
    given: int = 0
    answered: int = 0
    kept: int = 0
    refused: int = 0
    lost: int = 0
    missing: int = 0
    doubled: int = 0
    out_of_order: int = 0
    stale: int = 0
    """Tabs that show other scores than the lab book has, long after."""

    lead_given: int = 0
    lead_kept: int = 0
    lead_refused: int = 0
    lead_unheard: int = 0
    """Stored or not, as the kernel was killed before it could say."""

    lead_lost: int = 0
    lead_changed: int = 0
    lead_denied: int = 0
    """Refused, and in the lab book all the same."""

    lead_wrong: list[str] = field(default_factory=list)

    @property
    def holds(self) -> bool:
        """Whether nothing is lost, missing, doubled, in another order, or failed without a word."""
        of_phones = (self.lost, self.missing, self.doubled, self.out_of_order, self.stale)
        of_lead = (self.lead_lost, self.lead_changed, self.lead_denied, len(self.lead_wrong))
        return not any((*of_phones, *of_lead))

    def __str__(self) -> str:
        faults = ", ".join(f"{name} {n}" for name, n in sorted(self.faults.items()))
        phones = (
            f"{self.given} given, {self.answered} acknowledged, {self.kept} stored, "
            f"{self.refused} refused with a sentence; acknowledged and lost {self.lost}, given and "
            f"missing {self.missing}, doubled {self.doubled}, out of order {self.out_of_order}, "
            f"shown otherwise {self.stale}"
        )
        lead = (
            f"{self.lead_given} given, {self.lead_kept} acknowledged, {self.lead_refused} refused "
            f"with a sentence, {self.lead_unheard} cut short; acknowledged and lost "
            f"{self.lead_lost}, stored otherwise {self.lead_changed}, refused and stored "
            f"{self.lead_denied}, failed otherwise {len(self.lead_wrong)} {self.lead_wrong[:3]}"
        )
        return f"{sum(self.faults.values())} faults ({faults}). Phones: {phones}. Lead: {lead}"


@contextmanager
def stepping_clock(folder: Path) -> Iterator[Path]:
    """Programs started meanwhile read by how much their clock is off from a file."""
    clock = folder / "clock"
    clock.write_text("0")
    before = {name: os.environ.get(name) for name in ("PYTHONPATH", "LABKIT_TEST_CLOCK")}
    path = [str(STEPPING), before["PYTHONPATH"] or ""]
    os.environ.update(PYTHONPATH=os.pathsep.join(filter(None, path)), LABKIT_TEST_CLOCK=str(clock))
    try:
        yield clock
    finally:
        for name, value in before.items():
            os.environ.pop(name)
            if value is not None:
                os.environ[name] = value


class Room:
    """Tasters with phones, the server of their page, a lead if there is one, and their lab book.

    Parameters
    ----------
    place : TastersServing
        The tasters' page, running.
    new_context : callable
        Makes a browser's window with storage of its own.
    tasters : sequence of str
        Who has a phone.
    clock : Path
        By how much the clock of server and kernels is off.
    seed : int
        Of what fails when and for how long.
    lead : Lead, optional
        Who writes in a kernel meanwhile.
    postgresql : OwnServer, optional
        Where the lab book lies, if not in a file.
    """

    def __init__(
        self,
        place: TastersServing,
        new_context: Callable[..., Any],
        tasters: tuple[str, ...],
        clock: Path,
        seed: int,
        *,
        lead: Lead | None = None,
        postgresql: OwnServer | None = None,
    ) -> None:
        self.place, self.clock, self.lead, self.postgresql = place, clock, lead, postgresql
        self.chance = random.Random(seed)
        self.counts = Counts()
        links = place.links()
        self.phones = []
        for taster in tasters:
            context = new_context(**PHONE)
            context.add_init_script(WATCHED)
            phone = Phone(taster=taster, address=links[taster].address, context=context)
            phone.open_tab()
            self.phones.append(phone)

    def kinds(self) -> dict[str, tuple[Callable[[], Any], ...]]:
        """Faults by what they concern: two at a time concern different things."""
        programs: tuple[Callable[[], Any], ...] = (self.server_dies,)
        if self.lead is not None:
            programs += (self.leads_kernel_dies, self.jupyterlab_dies, self.all_python_dies)
        full = () if self.postgresql else (self.disk_full,)
        return {
            "programs": programs,
            "book": (self.book_away, self.lock_held, *full),
            "phones": (self.phone_offline, self.second_tab),
            "clocks": (self.phones_clock_steps, self.servers_clock_steps),
        }

    def plan(self, faults: int) -> list[list[Callable[[], Any]]]:
        """Rounds of one fault or two; every kind comes up before one comes again."""
        kinds = self.kinds()
        concerns = {one: name for name, ones in kinds.items() for one in ones}
        waiting: list[Callable[[], Any]] = []
        rounds: list[list[Callable[[], Any]]] = []
        while sum(map(len, rounds)) < faults:
            if len(waiting) < 2:
                more = list(concerns)
                self.chance.shuffle(more)
                waiting += more
            first = waiting.pop(0)
            now = [first]
            if self.chance.random() < 0.5 and sum(map(len, rounds)) + 2 <= faults:
                other = next((n for n in waiting if concerns[n] != concerns[first]), None)
                if other is not None:
                    waiting.remove(other)
                    now.append(other)
            rounds.append(now)
        return rounds

    def go_through(self, faults: int, say: Callable[[str], Any] = str) -> Counts:
        """One round after the other; after each, everything given is looked for."""
        for number, now in enumerate(self.plan(faults), start=1):
            began = time.monotonic()
            for phone in self.phones:
                phone.tabs[0].burst()
            if self.lead is not None:
                self.lead.write()
            self.phones[0].tabs[0].page.wait_for_timeout(self.chance.uniform(10, 250))
            # What ends last begins first: a lead's kernel opens the lab book, another tab the page.
            needy = [self.second_tab, self.leads_kernel_dies, self.jupyterlab_dies]
            needy.append(self.all_python_dies)
            now.sort(key=lambda fault: needy.index(fault) if fault in needy else len(needy))
            ends = [fault() for fault in now]
            self._wait(self.chance.uniform(0.2, 3))
            for end in reversed(ends):
                if end is not None:
                    end()
            for phone in self.phones:
                for tab in phone.tabs:
                    tab.settle()
            if self.lead is not None:
                self.lead.settle()
            self.counts.faults.update(one.__name__.replace("_", " ") for one in now)
            self.look()
            names = " and ".join(one.__name__.replace("_", " ") for one in now)
            say(f"{number}: {names}, {time.monotonic() - began:.0f} s. {self.counts}")
            for phone in self.phones:
                while len(phone.tabs) > 1:
                    phone.close_tab()
            if not self.counts.holds:
                break
        return self.counts

    def look(self) -> None:
        """Compare what was given with what is in the lab book."""
        counts = self.counts
        with LabBook(self.place.book_path) as book:
            rows = list(book.scores.history(SESSION))
        times = Counter(row.entry_id for row in rows)
        at = {row.entry_id: n for n, row in enumerate(rows)}
        value = {row.entry_id: row.value for row in rows}
        counts.doubled = sum(n > 1 for n in times.values())
        counts.given = counts.answered = counts.refused = 0
        counts.lost = counts.missing = counts.out_of_order = 0
        for phone in self.phones:
            refused = phone.tabs[0].refused()
            answered = phone.answered()
            counts.refused += sum(bool(sentence) for sentence in refused.values())
            counts.answered += len(answered)
            counts.lost += len(answered - set(at) - set(refused))
            for given in phone.given():
                counts.given += len(given)
                own = [one for one in given if one[0] not in refused]
                counts.missing += sum(one[0] not in at for one in own)
                last: dict[str, int] = {}
                for entry, where, what in own:
                    if entry not in at:
                        continue
                    is_after = at[entry] > last.get(where, -1)
                    counts.out_of_order += not is_after or value[entry] != what
                    last[where] = at[entry]
        counts.kept = sum(row.taster in {phone.taster for phone in self.phones} for row in rows)
        if self.lead is not None:
            counts.lead_given, counts.lead_kept = len(self.lead.given), len(self.lead.kept)
            counts.lead_refused = len(self.lead.refused)
            counts.lead_unheard = counts.lead_given - counts.lead_kept - counts.lead_refused
            given = dict(self.lead.given)
            own = {row.entry_id for row in rows if row.taster == self.lead.taster}
            counts.lead_lost = len(self.lead.kept - own)
            counts.lead_changed = sum(value[entry] != given.get(entry) for entry in own)
            counts.lead_denied = len(own & set(self.lead.refused))
            counts.lead_wrong = self.lead.wrong
        self._look_at_screens(rows)

    def _look_at_screens(self, rows: list[Any]) -> None:
        """Compare the cups in front with what counts in the lab book."""
        with LabBook(self.place.book_path) as book:
            served = {
                (phone.taster, cup.blind_code): (flight, cup.position)
                for phone in self.phones
                for flight in (1, 2)
                for cup in book.sessions.served_cups(SESSION, flight, phone.taster)
            }
        now = {(row.taster, row.flight, row.position, row.attribute): row.value for row in rows}
        for phone in self.phones:
            for tab in phone.tabs:
                cup = (phone.taster, *served[phone.taster, tab.code()])
                chosen = [
                    now.get((*cup, asked.name)) for asked in ATTRIBUTES if asked.scale is not None
                ]
                self.counts.stale += not tab.comes_to_show(chosen)

    def _wait(self, seconds: float) -> None:
        self.phones[0].tabs[0].page.wait_for_timeout(1000 * seconds)

    # ------------------------------------------------------------------------- what can fail

    def server_dies(self) -> Callable[[], Any]:
        """The server of the tasters' page is killed, and started again."""
        self.place.kill()
        return self.place.start

    def leads_kernel_dies(self) -> Callable[[], Any]:
        """The kernel that the lead works in is killed; another is started."""
        assert self.lead is not None
        self.lead.kill_kernel()
        return self.lead.begin

    def jupyterlab_dies(self) -> Callable[[], Any]:
        """JupyterLab is killed with its kernel, and opened again."""
        assert self.lead is not None
        self.lead.kill_all()
        return self.lead.open

    def all_python_dies(self) -> Callable[[], Any]:
        """Everything on the laptop but the browser is killed at once."""
        ends = [self.server_dies(), self.jupyterlab_dies()]
        return lambda: [end() for end in ends]

    def book_away(self) -> Callable[[], Any]:
        """The file is moved, or PostgreSQL stopped."""
        if self.postgresql is not None:
            self.postgresql.stop()
            return self.postgresql.start
        path = Path(self.place.book_path)
        _move(path, path.with_name(f"{path.name}.away"))
        return lambda: _move(path.with_name(f"{path.name}.away"), path)

    def lock_held(self) -> Callable[[], Any]:
        """Another program writes for longer than the sheet is patient."""
        if self.postgresql is not None:
            import psycopg

            session = psycopg.connect(self.postgresql.url)
            session.execute("LOCK TABLE scores IN ACCESS EXCLUSIVE MODE")
            return lambda: (self._wait(2), session.close())
        other = sqlite3.connect(self.place.book_path, isolation_level=None, timeout=60)
        other.execute("BEGIN IMMEDIATE")

        def end() -> None:
            self._wait(self.chance.uniform(1, 5))
            with closing(other):
                other.execute("ROLLBACK")

        return end

    def disk_full(self) -> Callable[[], Any]:
        """No file of the server may grow; it needs no special rights."""
        pids = [self.place.process.pid]
        if self.lead is not None and self.lead.pid:
            pids.append(self.lead.pid)
        limits = {pid: resource.prlimit(pid, resource.RLIMIT_FSIZE) for pid in pids if _lives(pid)}
        for pid, (_, hard) in limits.items():
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (TOO_SMALL, hard))

        def end() -> None:
            for pid, limit in limits.items():
                with suppress(ProcessLookupError):
                    resource.prlimit(pid, resource.RLIMIT_FSIZE, limit)

        return end

    def phone_offline(self) -> Callable[[], Any]:
        """A phone has no network for a while, and its taster goes on."""
        phone = self.chance.choice(self.phones)
        phone.context.set_offline(True)
        phone.tabs[0].burst(8, others=True)
        return lambda: phone.context.set_offline(False)

    def second_tab(self) -> Callable[[], Any]:
        """A taster has the sheet open twice, and scores in both."""
        phone = self.chance.choice(self.phones)
        touches = self.chance.randint(5, 20)

        def end() -> None:
            phone.open_tab().burst(touches)
            phone.tabs[0].burst(touches, others=True)

        return end

    def phones_clock_steps(self) -> None:
        """A phone's clock is set, to and fro."""
        phone = self.chance.choice(self.phones)
        phone.tabs[0].step_clock(self._step())
        phone.tabs[0].burst(8, others=True)

    def servers_clock_steps(self) -> None:
        """The laptop's clock is set, to and fro."""
        self.clock.write_text(f"{self._step():.3f}")

    def _step(self) -> float:
        return self.chance.choice((-1, 1)) * self.chance.choice((3, 90, 4000, 2 * DAY_S))


def _lives(pid: int) -> bool:
    with suppress(ProcessLookupError):
        os.kill(pid, 0)
        return True
    return False


def _move(path: Path, to: Path) -> None:
    """Rename a lab book with the files that SQLite keeps beside it."""
    for beside in ("", "-wal", "-shm"):
        with suppress(FileNotFoundError):
            Path(f"{path}{beside}").rename(f"{to}{beside}")
