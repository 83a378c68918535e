"""Finding workbooks in folders: order, names, and what is passed over."""

import os
import stat
import sys

import pytest

from grader.natural import natural
from grader.problems import GraderError, Problems
from grader.read.find import find_workbooks


def names(found):
    return [file.name for file in found.files]


def passed(found):
    return {entry.name: entry.reason for entry in found.passed_over}


def find(*paths):
    problems = Problems()
    found = find_workbooks(paths, problems)
    assert problems.batches == []
    return found


def touch(folder, *relative):
    for name in relative:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")


def test_folders_are_searched_in_natural_order(tmp_path):
    touch(tmp_path, "ward10.xlsx", "ward2.xlsx", "Ward1.XLSX", "b/2024/v.xlsm", "b/1.xlsx", "a/10/x.xlsx", "a/9/x.xlsx")
    assert names(find(tmp_path)) == [
        "a/9/x.xlsx",
        "a/10/x.xlsx",
        "b/1.xlsx",
        "b/2024/v.xlsm",
        "Ward1.XLSX",
        "ward2.xlsx",
        "ward10.xlsx",
    ]


def test_the_order_does_not_depend_on_the_file_system(tmp_path, monkeypatch):
    touch(tmp_path, *(f"v{i}.xlsx" for i in range(20)), "s/a.xlsx", "r/a.xlsx")
    wanted = names(find(tmp_path))
    real = os.scandir

    class Backwards:
        def __init__(self, folder):
            self.folder = folder

        def __enter__(self):
            with real(self.folder) as listing:
                return sorted(listing, key=lambda entry: entry.name, reverse=True)

        def __exit__(self, *error):
            return False

    monkeypatch.setattr(os, "scandir", Backwards)
    assert names(find(tmp_path)) == wanted


def test_natural_order_copes_with_digits_of_other_scripts():
    names = ["m³.xlsx", "m2.xlsx", "m١.xlsx", "m10.xlsx"]
    assert sorted(names, key=natural)[:2] == ["m2.xlsx", "m10.xlsx"]


def test_what_is_no_input_is_passed_over_with_a_reason(tmp_path):
    touch(tmp_path, "a.xlsx", "~$a.xlsx", ".b.xlsx", ".cache/c.xlsx", "notes.txt", "photo.jpg")
    found = find(tmp_path)
    assert names(found) == ["a.xlsx"]
    assert passed(found) == {
        "~$a.xlsx": "lock file of an open workbook",
        ".b.xlsx": "hidden",
        ".cache": "hidden",
        "notes.txt": "not a spreadsheet",
        "photo.jpg": "not a spreadsheet",
    }


def test_spreadsheets_of_other_kinds_are_found_so_that_they_can_be_refused(tmp_path):
    touch(tmp_path, "a.fods", "b.sxc", "c.NUMBERS")
    assert names(find(tmp_path)) == ["a.fods", "b.sxc", "c.NUMBERS"]


def test_every_format_that_is_read_is_found(tmp_path):
    endings = ("csv", "ods", "ots", "tsv", "xls", "xlsb", "xlsm", "xlsx", "xlt", "xltm", "xltx")
    wanted = [f"v.{ending}" for ending in endings]
    touch(tmp_path, *wanted)
    assert names(find(tmp_path)) == wanted


def test_a_file_named_by_the_user_is_taken_whatever_its_name(tmp_path):
    touch(tmp_path, ".hidden.xlsx", "log.txt")
    assert names(find(tmp_path / ".hidden.xlsx", tmp_path / "log.txt")) == [".hidden.xlsx", "log.txt"]


def test_a_hidden_folder_named_by_the_user_is_searched(tmp_path):
    touch(tmp_path, ".secret/a.xlsx")
    assert names(find(tmp_path / ".secret")) == ["a.xlsx"]


def test_unicode_and_emoji_names(tmp_path):
    wanted = ["Prüfung Ålesund.xlsx", "испытание.xlsx", "試験.xlsx", "💨 air.xlsx"]
    touch(tmp_path, *wanted)
    assert sorted(names(find(tmp_path))) == sorted(wanted)


def test_a_missing_path_stops_the_run_with_one_line(tmp_path):
    with pytest.raises(GraderError) as caught:
        find(tmp_path / "gone")
    assert "gone" in str(caught.value) and "\n" not in str(caught.value)


def test_a_folder_without_spreadsheets_is_nothing_to_read(tmp_path):
    touch(tmp_path, "~$a.xlsx", "notes.txt")
    with pytest.raises(GraderError, match=r"Nothing to read.*1 lock file.*1 not a spreadsheet"):
        find(tmp_path)


def test_a_file_reached_twice_is_taken_once(tmp_path):
    touch(tmp_path, "s/a.xlsx", "b.xlsx")
    found = find(tmp_path, tmp_path / "s", tmp_path / "b.xlsx")
    assert names(found) == ["b.xlsx", "s/a.xlsx"]
    assert [entry.reason for entry in found.passed_over] == ["same file again"] * 2


def test_equal_names_of_two_arguments_get_their_folders(tmp_path):
    touch(tmp_path, "2023/v.xlsx", "2024/v.xlsx", "2024/w.xlsx")
    assert names(find(tmp_path / "2023", tmp_path / "2024")) == ["2023/v.xlsx", "2024/v.xlsx", "w.xlsx"]


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_links_in_a_circle_end_and_a_linked_file_keeps_its_own_name(tmp_path):
    touch(tmp_path, "z.xlsx", "s/deep/y.xlsx")
    (tmp_path / "s/deep/up").symlink_to(tmp_path, target_is_directory=True)
    (tmp_path / "s/deep/self").symlink_to(tmp_path / "s/deep", target_is_directory=True)
    (tmp_path / "a.xlsx").symlink_to(tmp_path / "z.xlsx")
    found = find(tmp_path)
    assert names(found) == ["s/deep/y.xlsx", "z.xlsx"]
    assert passed(found) == {"a.xlsx": "same file again"}


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_a_link_that_leads_nowhere_is_found_so_that_it_can_be_refused(tmp_path):
    touch(tmp_path, "b.xlsx")
    (tmp_path / "a.xlsx").symlink_to(tmp_path / "gone.xlsx")
    assert names(find(tmp_path)) == ["a.xlsx", "b.xlsx"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no such files there")
def test_a_pipe_with_a_workbooks_name_is_never_opened(tmp_path):
    touch(tmp_path, "b.xlsx")
    os.mkfifo(tmp_path / "a.xlsx")
    found = find(tmp_path)
    assert names(found) == ["b.xlsx"]
    assert passed(found) == {"a.xlsx": "not an ordinary file"}


def test_a_folder_that_cannot_be_read_is_a_problem(tmp_path, monkeypatch):
    touch(tmp_path, "a.xlsx", "locked/b.xlsx")
    real = os.scandir

    def scandir(folder):
        if str(folder).endswith("locked"):
            raise PermissionError(13, "Permission denied")
        return real(folder)

    monkeypatch.setattr(os, "scandir", scandir)
    problems = Problems()
    found = find_workbooks([tmp_path], problems)
    assert names(found) == ["a.xlsx"]
    [batch] = problems.batches
    assert (batch.code, batch.values) == ("folder_unreadable", ["locked"])
    assert batch.params == {"what": "Permission denied"}


def test_nothing_found_is_changed(tmp_path):
    touch(tmp_path, "a.xlsx")
    os.chmod(tmp_path / "a.xlsx", stat.S_IREAD)
    before = os.stat(tmp_path / "a.xlsx")
    find(tmp_path)
    after = os.stat(tmp_path / "a.xlsx")
    assert after.st_mtime_ns == before.st_mtime_ns and after.st_mode == before.st_mode


@pytest.mark.parametrize(
    "name, shown",
    [
        ("a\nb.xlsx", "a\\x0ab.xlsx"),
        ("\x1b[31m.xlsx", "\\x1b[31m.xlsx"),
        ("\u202efdp.xlsx", "\\u202efdp.xlsx"),
        (os.fsdecode(b"\xff.xlsx"), "\\udcff.xlsx"),
        ("Prüfung 😀 שלום.xlsx", "Prüfung 😀 שלום.xlsx"),
    ],
)
def test_a_name_is_shown_on_one_line_and_commands_no_terminal(tmp_path, name, shown):
    touch(tmp_path, name)
    found = find(tmp_path)
    assert [f.name for f in found.files] == [shown] and os.path.exists(found.files[0].path)
