"""The zip of a workbook: a table of contents that does not fit, and parts that were seen before."""

import io
import struct
import zipfile

import pytest

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


def test_a_refusal_is_not_remembered_as_good():
    bad = zipped([("a.xml", "<!DOCTYPE a>")])
    for _ in range(2):
        with pytest.raises(Refused):
            Parts(bad, LIMITS).check_prologs()
