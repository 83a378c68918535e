"""A wrong path, a full disk, a killed or a second run: the earlier file stays whole."""

import os
import signal
import stat
import subprocess
import sys
import textwrap
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from grader.page import Page
from grader.problems import GraderError
from grader.write import safely
from grader.write.result import write_result
from grader.write.safely import check_target, kind_of, replacing, scratch_folder

ROOT = Path(__file__).resolve().parents[2]
OLD = pd.DataFrame({"Outlet": ["old"]})
NEW = pd.DataFrame({"Outlet": ["new"] * 40, "Oil (mg/m³)": [0.1] * 40})
posix_only = pytest.mark.skipif(os.name == "nt", reason="signals and modes of POSIX")


def written(path, frame=OLD, **more):
    write_result(path, {"Verdicts": frame}, Page("Results"), **more)
    return path


def first_outlet(path):
    return openpyxl.load_workbook(path, read_only=False)["Verdicts"]["A2"].value


def leftovers(folder):
    return sorted(p.name for p in folder.iterdir() if p.name.startswith("."))


def foreign(path):
    book = openpyxl.Workbook()
    book.active["A1"] = "somebody's own"
    book.save(path)
    return path


# -- the target -----------------------------------------------------------------------------------------


def test_a_new_target_is_resolved(tmp_path):
    assert check_target(tmp_path / "sub" / ".." / "r.xlsx") == (tmp_path / "r.xlsx").resolve()
    assert leftovers(tmp_path) == []


def test_a_result_may_be_replaced_and_is_known_by_its_kind(tmp_path):
    path = written(tmp_path / "r.xlsx")
    assert kind_of(path) == "result"
    assert check_target(path) == path.resolve()
    with pytest.raises(GraderError, match="no result of this program"):
        check_target(path, kinds=("record",))


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 torn", b"Site;Outlet\n"])
def test_an_existing_file_of_another_kind_is_refused(tmp_path, content):
    path = tmp_path / "mine.xlsx"
    path.write_bytes(content)
    with pytest.raises(GraderError, match="no result of this program"):
        written(path)
    assert path.read_bytes() == content and leftovers(tmp_path) == []


def test_a_foreign_workbook_is_refused_and_left_alone(tmp_path):
    path = foreign(tmp_path / "mine.xlsx")
    before = path.read_bytes()
    with pytest.raises(GraderError, match="no result of this program"):
        written(path)
    assert path.read_bytes() == before


def test_an_input_is_refused_under_any_name(tmp_path):
    path = written(tmp_path / "r.xlsx")
    link = tmp_path / "link.xlsx"
    link.symlink_to(path)
    for target, source in ((path, path), (link, path), (path, link)):
        with pytest.raises(GraderError, match="files to be graded"):
            written(target, inputs=[source])
    hard = tmp_path / "hard.xlsx"
    os.link(path, hard)
    with pytest.raises(GraderError, match="files to be graded"):
        check_target(hard, [path])
    assert first_outlet(path) == "old"


def test_an_input_that_is_gone_does_not_stop_the_run(tmp_path):
    path = written(tmp_path / "r.xlsx")
    assert check_target(path, [tmp_path / "gone.xlsx"]) == path.resolve()


def test_what_cannot_be_written_is_one_clear_line(tmp_path):
    (tmp_path / "file").write_text("x")
    (tmp_path / "folder.xlsx").mkdir()
    loop = tmp_path / "loop.xlsx"
    loop.symlink_to(loop)
    for path, says in (
        (tmp_path / "r.csv", "must be named"),
        (tmp_path / "folder.xlsx", "is a folder"),
        (tmp_path / "none" / "r.xlsx", "there is no folder"),
        (tmp_path / "file" / "r.xlsx", "there is no folder"),
        (loop, "cannot be written"),
    ):
        with pytest.raises(GraderError, match=says) as caught:
            written(path)
        assert "\n" not in str(caught.value) and str(path) in str(caught.value)


@posix_only
@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="the super-user may write anywhere")
def test_a_read_only_folder_is_refused(tmp_path):
    folder = tmp_path / "shut"
    folder.mkdir()
    folder.chmod(0o500)
    with pytest.raises(GraderError, match="not writable"):
        written(folder / "r.xlsx")


def test_a_folder_that_refuses_new_files(tmp_path, monkeypatch):
    def refuse(*arguments, **more):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(safely.os, "open", refuse)
    with pytest.raises(GraderError, match="not writable .Permission denied"):
        check_target(tmp_path / "r.xlsx")


@posix_only
def test_a_link_is_followed_and_stays_a_link(tmp_path):
    path = written(tmp_path / "real.xlsx")
    link = tmp_path / "link.xlsx"
    link.symlink_to(path)
    written(link, NEW)
    assert link.is_symlink() and first_outlet(path) == "new"


# -- the replacing --------------------------------------------------------------------------------------


@posix_only
def test_mode_is_the_old_files_or_the_umasks(tmp_path):
    before = os.umask(0o027)
    try:
        path = written(tmp_path / "r.xlsx")
        assert stat.S_IMODE(path.stat().st_mode) == 0o640
        path.chmod(0o604)
        written(path, NEW)
        assert stat.S_IMODE(path.stat().st_mode) == 0o604
    finally:
        os.umask(before)


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt(), ValueError("x")])
def test_a_run_that_breaks_off_leaves_the_old_file_and_nothing_else(tmp_path, error):
    path = written(tmp_path / "r.xlsx")
    before = path.read_bytes()
    expected = GraderError if isinstance(error, OSError) else type(error)
    with pytest.raises(expected) as caught, replacing(path) as part:
        part.write_bytes(b"half")
        scratch_folder(part).mkdir()
        (scratch_folder(part) / "rows").write_text("x")
        raise error
    assert path.read_bytes() == before and leftovers(tmp_path) == []
    if isinstance(error, OSError):
        assert "No space left on device" in str(caught.value) and "\n" not in str(caught.value)


@posix_only
@pytest.mark.parametrize("limit", [2_000, 20_000, 120_000])
def test_a_full_disk_is_one_line_and_no_noise(tmp_path, limit):
    """The system's limit on the size of a file stands in for a full disk: writes fail with an OSError."""
    path = written(tmp_path / "r.xlsx")
    before = path.read_bytes()
    ended = run(f"""
        import resource
        resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))
        frame = pd.DataFrame({{"Outlet": [str(i * 7919) for i in range(20000)]}})
        try:
            write_result({str(path)!r}, {{"Verdicts": frame}}, Page("Results"))
        except GraderError as error:
            print(error)
    """)
    assert ended.returncode == 0 and ended.stderr == ""
    assert ended.stdout.count("\n") == 1 and "not written" in ended.stdout
    assert path.read_bytes() == before and leftovers(tmp_path) == []


def test_a_file_held_by_another_program_is_tried_again(tmp_path, monkeypatch):
    path = written(tmp_path / "r.xlsx")
    real, calls = os.replace, []

    def held(*names):
        calls.append(names)
        if len(calls) < 3:
            raise PermissionError(13, "held")
        real(*names)

    monkeypatch.setattr(safely.os, "replace", held)
    written(path, NEW)
    assert len(calls) == 3 and first_outlet(path) == "new"


def test_a_file_held_for_good_is_said(tmp_path, monkeypatch):
    path = written(tmp_path / "r.xlsx")

    def held(*names):
        raise PermissionError(13, "held")

    monkeypatch.setattr(safely.os, "replace", held)
    monkeypatch.setattr(safely, "REPLACE_WAIT_S", 0.2)
    with pytest.raises(GraderError, match="open in another program"):
        written(path, NEW)
    assert first_outlet(path) == "old" and leftovers(tmp_path) == []


def test_a_second_run_waits_and_then_gives_up(tmp_path):
    path = tmp_path / "r.xlsx"
    with replacing(path) as part:
        part.write_bytes(b"first")
        with pytest.raises(GraderError, match="another run is writing"), replacing(path, lock_wait_s=0.3):
            pytest.fail("two runs had the lock")
        assert part.exists()  # the second did not tidy up what the first is writing
    assert path.read_bytes() == b"first" and leftovers(tmp_path) == []


def test_two_runs_at_once_do_not_mix(tmp_path):
    path = tmp_path / "r.xlsx"
    script = """
        frame = pd.DataFrame({{"Outlet": [{name!r}] * 3000}})
        write_result({path!r}, {{"Verdicts": frame}}, Page("Results"))
    """
    jobs = [start(script.format(name=name, path=str(path))) for name in ("one", "two", "three")]
    for job in jobs:
        _, told = job.communicate(timeout=60)
        assert job.returncode == 0, told
    outlets = pd.read_excel(path, sheet_name="Verdicts", engine="openpyxl")["Outlet"]
    assert len(outlets) == 3000 and outlets.nunique() == 1 and leftovers(tmp_path) == []


def test_targets_whose_names_begin_alike_do_not_tidy_each_other(tmp_path):
    long_name, short_name = tmp_path / "r.xlsx.00000000.xlsx", tmp_path / "r.xlsx"
    with replacing(long_name) as part:
        part.write_bytes(b"long")
        with replacing(short_name) as other:
            other.write_bytes(b"short")
        assert part.exists()
    assert (long_name.read_bytes(), short_name.read_bytes()) == (b"long", b"short")


def test_a_name_as_long_as_a_folder_allows(tmp_path):
    path = tmp_path / ("ä" * 122 + ".xlsx")
    assert first_outlet(written(path)) == "old"


# -- killed runs ----------------------------------------------------------------------------------------

MOMENTS = {
    "rows": ("grader.write.quick.QuickSheet", "write_cells", False),
    "closing": ("xlsxwriter.workbook.Workbook", "close", False),
    "zipping": ("xlsxwriter.workbook.ZipFile", "write", False),
    "flushing": ("grader.write.safely.os", "fsync", False),
    "replacing": ("grader.write.safely.os", "replace", False),
    "replaced": ("grader.write.safely.os", "replace", True),
}


@posix_only
@pytest.mark.parametrize("moment", sorted(MOMENTS))
def test_a_killed_run_leaves_a_whole_file_and_the_next_tidies_up(tmp_path, moment):
    path = written(tmp_path / "r.xlsx")
    owner, name, after = MOMENTS[moment]
    module, _, attribute = owner.rpartition(".")
    ended = run(f"""
        import importlib, os, signal
        owner = getattr(importlib.import_module({module!r}), {attribute!r})
        real = getattr(owner, {name!r})
        def deadly(*arguments, **more):
            if {after}:
                real(*arguments, **more)
            os.kill(os.getpid(), signal.SIGKILL)
        setattr(owner, {name!r}, deadly)
        frame = pd.DataFrame({{"Outlet": ["new"] * 40, "Oil (mg/m³)": [0.1] * 40}})
        write_result({str(path)!r}, {{"Verdicts": frame}}, Page("Results"))
    """)
    assert ended.returncode == -signal.SIGKILL
    assert first_outlet(path) == ("new" if after else "old")
    assert leftovers(tmp_path) != []  # at least the lock file lies there
    written(path, NEW)
    assert first_outlet(path) == "new" and leftovers(tmp_path) == []


PREAMBLE = """
import pandas as pd
from grader.page import Page
from grader.problems import GraderError
from grader.write.result import write_result
"""


def start(script):
    return subprocess.Popen(
        [sys.executable, "-c", PREAMBLE + textwrap.dedent(script)],
        cwd=ROOT,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


def run(script):
    job = start(script)
    out, told = job.communicate(timeout=60)
    return subprocess.CompletedProcess(job.args, job.returncode, out, told)


def test_a_lock_file_left_by_a_killed_run_stops_nobody(tmp_path):
    path = tmp_path / "r.xlsx"
    (tmp_path / ".r.xlsx.lock").write_bytes(b"")
    with replacing(path, lock_wait_s=5) as part:
        part.write_bytes(b"x")
    assert path.read_bytes() == b"x" and leftovers(tmp_path) == []
