"""A workbook that says which language it is written in, for screen readers and spelling checkers.

xlsxwriter has no setting for the core property dc:language (ECMA-376 part 2, core properties).
"""

from __future__ import annotations

from typing import Any

from xlsxwriter import Workbook
from xlsxwriter.core import Core
from xlsxwriter.packager import Packager


class TaggedWorkbook(Workbook):
    """An xlsxwriter Workbook with the core property language, "en" unless changed before it is closed."""

    language = "en"

    def _get_packager(self) -> Packager:
        return _Packager()


class _Packager(Packager):
    def _write_core_file(self) -> None:
        core = _Core(self.workbook.language)
        core._set_properties(self.workbook.doc_properties)
        core._set_xml_writer(self._filename("docProps/core.xml"))
        core._assemble_xml_file()


class _Core(Core):
    def __init__(self, language: str) -> None:
        super().__init__()
        self.language = language

    def _write_cp_content_status(self) -> Any:
        super()._write_cp_content_status()
        self._xml_data_element("dc:language", self.language)
