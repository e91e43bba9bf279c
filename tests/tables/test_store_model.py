"""The store against a plain dict, over random sequences of what runs can do."""

import tempfile
from pathlib import Path

import pyarrow as pa
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from pipeline.errors import StoreError
from pipeline.tables.store import Store, inputs_digest, open_tables

TABLES = st.sampled_from(["points", "trends"])
MONTHS = st.sampled_from(["2025-01", "2025-02", "2025-03"])
VALUES = st.integers(0, 2)


def rows(value: int) -> pa.Table:
    return pa.table({"value": pa.array([value], pa.int64())})


class StoreAgainstDict(RuleBasedStateMachine):
    """`published` and `staged` map (table, month) to the value written there."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.store = Store.create(Path(self.folder.name) / "data", keep=2)
        self.run = self.stage = None
        self.published: dict = {}
        self.staged: dict = {}
        self.built: dict = {}
        self.built_published: dict = {}
        self.generation = 0

    @precondition(lambda self: self.stage is None)
    @rule()
    def begin(self) -> None:
        self.run = self.store.writer()
        self.stage = self.run.__enter__()

    @precondition(lambda self: self.stage is not None)
    @rule(table=TABLES, month=MONTHS, value=VALUES)
    def write(self, table, month, value) -> None:
        self.stage.write(table, month, rows(value))
        self.staged[table, month] = value
        self.built.pop((table, month), None)

    @precondition(lambda self: self.stage is not None)
    @rule(table=TABLES, month=MONTHS, value=VALUES, inputs=st.integers(0, 3))
    def build(self, table, month, value, inputs) -> None:
        made = []
        make = lambda: made.append(1) or rows(value)  # noqa: E731
        self.stage.build(table, month, inputs_digest(inputs), make)
        assert bool(made) == (self.built.get((table, month)) != inputs)
        if made:
            self.staged[table, month] = value
            self.built[table, month] = inputs

    @precondition(lambda self: self.stage is not None)
    @rule(table=TABLES, month=MONTHS)
    def remove(self, table, month) -> None:
        self.stage.remove(table, month)
        self.staged.pop((table, month), None)
        self.built.pop((table, month), None)

    @precondition(lambda self: self.stage is not None)
    @rule()
    def commit(self) -> None:
        changed = (self.staged, self.built) != (self.published, self.built_published)
        self.generation += changed
        assert self.stage.has_changes == changed
        assert self.stage.commit() == self.generation
        self.published, self.built_published = dict(self.staged), dict(self.built)

    @precondition(lambda self: self.stage is not None)
    @rule()
    def end(self) -> None:
        self.run.__exit__(None, None, None)
        self.run = self.stage = None
        self.staged, self.built = dict(self.published), dict(self.built_published)

    @invariant()
    def stage_shows_what_will_be_published(self) -> None:
        if self.stage is not None:
            assert content(self.stage) == self.staged

    @invariant()
    def readers_see_what_was_published(self) -> None:
        try:
            tables = open_tables(self.store.folder)
        except StoreError:
            assert self.generation == 0
            return
        assert tables.generation == self.generation
        assert content(tables) == self.published
        assert tables.verify() == ()
        assert len(self.store.generations()) <= 2

    def teardown(self) -> None:
        if self.run is not None:
            self.run.__exit__(None, None, None)
        self.folder.cleanup()


def content(tables) -> dict:
    return {
        (name, month): tables.read_arrow(name, months=[month])["value"][0].as_py()
        for name in tables.names()
        for month in tables.months(name)
    }


TestStoreAgainstDict = StoreAgainstDict.TestCase
TestStoreAgainstDict.settings = settings(
    max_examples=10,
    stateful_step_count=15,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
