"""What one night costs in the store when ten years of files are there already."""

import os
import time

import pyarrow as pa
import pytest

from pipeline.tables.store import Store


@pytest.mark.benchmark
def test_a_night_beside_ten_years_of_files(tmp_path, monkeypatch):
    """A commit beside 4,850 files costs little more than linking and unlinking them."""

    def rows(value: float) -> pa.Table:
        return pa.table({"x": [value]})

    store = Store.create(tmp_path / "data", keep=2)
    with monkeypatch.context() as patch, store.writer() as stage:
        patch.setattr(os, "fsync", lambda handle: None)
        for k in range(3650):
            stage.put_blob("segments", f"night-{k}", rows(0.0))
        for k in range(1200):
            stage.write(f"table_{k % 10}", f"{2015 + k // 120}-{k // 10 % 12 + 1:02d}", rows(k))
        stage.commit()

    files = [path for path in (tmp_path / "data" / "tables" / ".").rglob("*") if path.is_file()]
    (tmp_path / "links").mkdir()
    start = time.perf_counter()
    for k, path in enumerate(files):
        os.link(path, tmp_path / "links" / str(k))
    for k in range(len(files)):
        (tmp_path / "links" / str(k)).unlink()
    bare = time.perf_counter() - start

    nights = []
    for night in range(3):
        start = time.perf_counter()
        with store.writer() as stage:
            stage.write("table_0", "2015-01", rows(-1.0 - night))
            stage.commit()
        nights.append(time.perf_counter() - start)
    start = time.perf_counter()
    with store.writer() as stage:
        assert stage.commit() == 4
    idle = time.perf_counter() - start
    print(f"{len(files)} files: bare {bare:.3f} s, night {min(nights):.3f} s, idle {idle:.3f} s")
    assert min(nights) < 8 * bare
    assert idle < min(nights)
