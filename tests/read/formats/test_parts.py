"""The zip of a workbook: a table of contents that does not fit, and parts that were seen before."""

import io
import struct
import zipfile

import pytest

from grader.read.formats import parts
from grader.read.formats.parts import Parts, Refused
from grader.read.process import reading_limits

LIMITS = reading_limits()


def zipped(contents):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in contents:
            archive.writestr(name, content)
    return stream.getvalue()


CONTENTS = [("a.xml", "<a/>"), ("xl/Ünï.xml", "x" * 5000), ("empty", ""), ("xl\\b.xml", "<b/>")]


@pytest.mark.parametrize("cut", [1, 10, 22, 60, 200])
def test_a_cut_table_of_contents_is_refused(cut):
    with pytest.raises(Refused) as caught:
        Parts(zipped(CONTENTS)[:-cut], LIMITS)
    assert caught.value.code == "truncated"


def test_a_count_that_does_not_fit_the_table_hides_no_part():
    data = bytearray(zipped(CONTENTS))
    struct.pack_into("<HH", data, len(data) - 14, 3, 3)  # entries on this disk, entries in all
    assert len(Parts(bytes(data), LIMITS).entries) == len(CONTENTS)


def test_what_was_made_of_the_same_bytes_is_made_once():
    made = []

    def work(book):
        return lambda: made.append(book.read("a.xml")) or len(made)

    first, same, other = (Parts(zipped([("a.xml", c)]), LIMITS) for c in ("<a/>", "<a/>", "<b/>"))
    assert first.remembered("test", ("a.xml",), work(first)) == 1
    assert same.remembered("test", ("a.xml",), work(same)) == 1 and "a.xml" in same.inflated
    assert other.remembered("test", ("a.xml",), work(other)) == 2
    assert other.remembered("another", ("a.xml",), work(other)) == 3
    assert made == [b"<a/>", b"<b/>", b"<b/>"]


def test_a_refusal_is_not_remembered_as_good():
    bad = zipped([("a.xml", "<!DOCTYPE a>")])
    for _ in range(2):
        book = Parts(bad, LIMITS)
        with pytest.raises(Refused):
            book.remembered("doctype", ("a.xml",), lambda b=book: b.read("a.xml"))
        with pytest.raises(Refused):
            Parts(bad, LIMITS).check_prologs()


def test_a_large_part_is_not_kept(monkeypatch):
    monkeypatch.setattr(parts, "_LARGEST_REMEMBERED", 3)
    book = Parts(zipped([("a.xml", "<a/>")]), LIMITS)
    before = len(parts._REMEMBERED)
    assert [book.remembered("large", ("a.xml",), lambda: 1) for _ in range(2)] == [1, 1]
    assert len(parts._REMEMBERED) == before
