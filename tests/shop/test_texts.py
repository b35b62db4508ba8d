"""Small texts: two that add at once both come in, tables as spreadsheets leave them, and faults in one sentence.

What is told of slips in TOML is held in test_session.py.
"""

import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from luthkit.errors import LuthkitError
from luthkit.shop import texts
from luthkit.shop.history import read_rows
from luthkit.shop.texts import add_text, csv_text, read_cells, read_toml


def test_two_that_add_at_once_both_come_in(tmp_path, monkeypatch):
    real = texts.write_whole  # late enough for the other to have read what stands there, were it not kept waiting
    monkeypatch.setattr(texts, "write_whole", lambda *a: (time.sleep(0.2), real(*a)))
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda line: add_text(tmp_path / "a.csv", "head\n", lambda: line), ["one\n", "two\n"]))
    assert sorted((tmp_path / "a.csv").read_text().splitlines()) == ["head", "one", "two"]


def test_a_table_reads_as_a_spreadsheet_left_it(tmp_path):
    table = tmp_path / "t.csv"
    table.write_bytes(b'\xef\xbb\xbf mode , note,\r\n\r\nair,"a, ""b""\r\nc",x\r\n , \r\ntop\r\n')
    assert read_cells(table)[3] == ["air", 'a, "b"\nc', "x"] and list(read_cells(table)) == [1, 3, 5]
    assert read_rows(table) == [{"mode": "air", "note": 'a, "b"\nc'}, {"mode": "top", "note": ""}]
    rows = [["a", 'b "c", d'], ["1", "2\n3"]]
    table.write_text(csv_text(rows), encoding="utf-8")
    assert list(read_cells(table).values()) == rows


@pytest.mark.parametrize("read", [read_toml, read_cells])
def test_what_cannot_be_read_is_one_sentence(tmp_path, read):
    (tmp_path / "x").write_bytes(b'a = "\xff"')
    with pytest.raises(LuthkitError, match="x is not UTF-8 text; save it again as UTF-8"):
        read(tmp_path / "x")
    with pytest.raises(LuthkitError, match=r"gone cannot be read \(No such file"):
        read(tmp_path / "gone")
