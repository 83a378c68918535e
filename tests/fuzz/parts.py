"""Mutators of a zip's parts, packed again soundly: elements, attributes, texts, cells, strings, styles."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable
from random import Random
from xml.sax.saxutils import escape

ERRORS = ("#N/A", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!", "no error at all")
STRANGE = (
    "",
    " ",
    "\u00a0",
    "-",
    "0",
    "-1",
    "1e308",
    "-1e308",
    "1e-320",
    "4,5",
    "1,250",
    "<5",
    "≥60",
    "ND",
    "trace",
    "stain",
    "0.209",
    "99999999999999999999",
    "\U0001f9ea 4 ppm",
    "\u202e4",
    "a" * 40_000,
    '=HYPERLINK("http://x")',
    "@SUM(1)",
    "_x0007_",
    "_xD800_",
    "line\nbreak",
    "'4",
    "4 ppm",
    "31.02.2026",
    "29/02/1900",
    "TOTAL",
    "Limit",
    "<r>4</r>",
    "{value}",
    "%s%n",
    "NaN",
    "inf",
    "None",
    "nan",
    "true",
    "1.2.3.4",
    "٤",
    "４",
)
NUMBERS = (
    "0",
    "-1",
    "-0",
    "1e308",
    "-1e308",
    "1e309",
    "5e-324",
    "NaN",
    "INF",
    "abc",
    "",
    " 4 ",
    "4,5",
    "0x10",
    "20.9",
    "0.209",
    "2958466",
    "-693594",
    "60",
    "2e15",
    "1" * 400,
)
ATTRIBUTES = (
    "",
    "-1",
    "0",
    "1",
    "9",
    "14",
    "65535",
    "4294967296",
    "99999999999999999999",
    "abc",
    "XFD1048576",
    "A1048577",
    "A0",
    "ZZZZ9",
    "true",
    "s",
    "e",
    "b",
    "str",
    "d",
    "inlineStr",
    "rId99",
    "../../x",
    "http://example.invalid/x",
    "&#0;",
    "_xlnm.x",
    "1:1",
    "A1:XFD1048576",
)


def parts_of(data: bytes) -> dict[str, bytes]:
    """Name -> bytes of a zip's parts, in order."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {info.filename: archive.read(info) for info in archive.infolist()}


def zipped(parts: dict[str, bytes]) -> bytes:
    """The zip of the parts, with right sizes and checksums."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return stream.getvalue()


def cell_of(xml: bytes, address: str) -> re.Match[bytes] | None:
    """The element of a cell."""
    return re.search(rb'<c r="' + address.encode() + rb'"[^>]*?(?:/>|>.*?</c>)', xml, re.S)


def set_cell(parts: dict[str, bytes], part: str, address: str, attributes: str, inside: str) -> None:
    """Put other attributes and another content into a cell that is there."""
    found = cell_of(parts[part], address)
    if found is None:
        raise ValueError(f"{part} has no cell {address}")
    new = f'<c r="{address}"{attributes}>{inside}</c>'.encode()
    parts[part] = parts[part][: found.start()] + new + parts[part][found.end() :]


def _pick(parts: dict[str, bytes], chance: Random, pattern: str = r"\.(xml|rels|vml|bin)$") -> str | None:
    names = [n for n in parts if re.search(pattern, n, re.I) and parts[n]]
    # Sheets, strings and styles more often than the rest.
    close = [n for n in names if re.search(r"sheet|sharedStrings|styles|workbook|content", n)]
    return chance.choice(close if close and chance.random() < 0.7 else names) if names else None


def _elements(xml: bytes) -> list[re.Match[bytes]]:
    return list(re.finditer(rb"<([A-Za-z:]+)\b[^<>]*?(/?)>", xml))


def drop_element(parts: dict[str, bytes], chance: Random) -> None:
    _edit_element(parts, chance, lambda whole: b"")


def double_element(parts: dict[str, bytes], chance: Random) -> None:
    times = chance.choice((2, 2, 3, 50))
    _edit_element(parts, chance, lambda whole: whole * times)


def rename_element(parts: dict[str, bytes], chance: Random) -> None:
    other = chance.choice((b"c", b"row", b"v", b"f", b"si", b"t", b"x", b"is", b"sheetData"))
    _edit_element(
        parts,
        chance,
        lambda whole: re.sub(
            rb"^<[A-Za-z:]+|(?<=</)[A-Za-z:]+(?=>$)", lambda m: b"<" + other if m[0][:1] == b"<" else other, whole
        ),
    )


def nest_element(parts: dict[str, bytes], chance: Random) -> None:
    depth = chance.choice((10, 1000, 20_000))
    _edit_element(parts, chance, lambda whole: b"<x>" * depth + whole + b"</x>" * depth)


def _edit_element(parts: dict[str, bytes], chance: Random, change: Callable[[bytes], bytes]) -> None:
    name = _pick(parts, chance)
    elements = _elements(parts[name]) if name else []
    if name is None or not elements:
        return
    xml, found = parts[name], chance.choice(elements)
    end = found.end()
    if not found[2]:
        close = xml.find(b"</" + found[1] + b">", end)
        end = close + len(found[1]) + 3 if close >= 0 else end
    parts[name] = xml[: found.start()] + change(xml[found.start() : end]) + xml[end:]


def edit_attribute(parts: dict[str, bytes], chance: Random) -> None:
    name = _pick(parts, chance)
    found = list(re.finditer(rb'\s([A-Za-z:]+)="([^"]*)"', parts[name])) if name else []
    if name is None or not found:
        return
    one = chance.choice(found)
    value = chance.choice(ATTRIBUTES).encode() if chance.random() < 0.7 else chance.choice(found)[2]
    new = b"" if chance.random() < 0.2 else b" " + one[1] + b'="' + value + b'"'
    parts[name] = parts[name][: one.start()] + new + parts[name][one.end() :]


def edit_text(parts: dict[str, bytes], chance: Random) -> None:
    name = _pick(parts, chance)
    found = list(re.finditer(rb">([^<>]+)<", parts[name])) if name else []
    if name is None or not found:
        return
    one = chance.choice(found)
    new = escape(chance.choice(STRANGE + NUMBERS)).encode("utf-8", "replace")
    parts[name] = parts[name][: one.start(1)] + new + parts[name][one.end(1) :]


def edit_cells(parts: dict[str, bytes], chance: Random) -> None:
    """Other values in some cells of a sheet: strange texts, huge numbers, formulas, errors, dates."""
    name = _pick(parts, chance, r"worksheets/[^/]*\.xml$")
    if name is None:
        return
    for _ in range(chance.choice((1, 2, 10))):
        cells = re.findall(rb'<c r="([A-Z]+[0-9]+)"', parts[name])
        if not cells:
            return
        text = escape(chance.choice(STRANGE))
        attributes, inside = chance.choice(
            (
                (' t="inlineStr"', f"<is><t>{text}</t></is>"),
                ("", f"<v>{chance.choice(NUMBERS)}</v>"),
                ("", f"<f>1+1</f><v>{chance.choice(NUMBERS)}</v>"),
                (' t="str"', f"<f>A1</f><v>{text}</v>"),
                (' t="e"', f"<v>{chance.choice(ERRORS)}</v>"),
                (' t="b"', f"<v>{chance.choice(NUMBERS)}</v>"),
                (' t="d"', "<v>2026-13-45T99:00:00Z</v>"),
                (f' s="{chance.choice(("9", "14", "22", "999999", "-1"))}"', f"<v>{chance.choice(NUMBERS)}</v>"),
                (' t="s"', f"<v>{chance.choice(NUMBERS)}</v>"),
                ("", ""),
                (' t="inlineStr"', "<is><r><t>4</t></r></is>"),
            )
        )
        set_cell(parts, name, chance.choice(cells).decode(), attributes, inside)


def spoil_strings(parts: dict[str, bytes], chance: Random) -> None:
    name = next((n for n in parts if n.lower().endswith("sharedstrings.xml")), None)
    if name is None:
        return
    xml = parts[name]
    items = list(re.finditer(rb"<si>.*?</si>|<si/>", xml, re.S))
    if not items:
        return
    one = chance.choice(items)
    new = chance.choice(
        (
            b"",
            b"<si/>",
            b"<si><t/></si>",
            b"<si><r><t>a</t></r><rPh sb='0' eb='1'><t>b</t></rPh></si>",
            b"<si><t>" + b"long " * 9000 + b"</t></si>",
            one[0] * 2,
            b"<si><t>Outlet</t></si>",
            b"<si><t>_x0000__xFFFF_</t></si>",
            b"<si><t>\xff\xfe</t></si>",
            b"<si><t>Total</t></si>",
        )
    )
    parts[name] = xml[: one.start()] + new + xml[one.end() :]


def spoil_styles(parts: dict[str, bytes], chance: Random) -> None:
    name = next((n for n in parts if n.lower().endswith("styles.xml")), None)
    if name is None:
        return
    xml = parts[name]
    way = chance.choice(("percent", "date", "none", "codes", "empty"))
    if way in ("percent", "date"):
        number = b"10" if way == "percent" else b"14"
        xml = re.sub(
            rb'numFmtId="[0-9]+"', lambda m: b'numFmtId="' + number + b'"' if chance.random() < 0.5 else m[0], xml
        )
    elif way == "none":
        xml = re.sub(rb"<cellXfs.*?</cellXfs>", b"", xml, flags=re.S)
    elif way == "codes":
        code = chance.choice(
            (b"0.0%", b"yyyy", b"[h]:mm", b"\\", b"&quot;%&quot;0", b"[$-F800]", b";;;", b"#,##0.0,,", b"0" * 500)
        )
        xml = re.sub(rb'formatCode="[^"]*"', b'formatCode="' + code.replace(b"\\", b"\\\\") + b'"', xml)
    else:
        xml = b""
    parts[name] = xml


def spoil_part(parts: dict[str, bytes], chance: Random) -> None:
    """A part as a whole: cut, emptied, in another encoding, with a document type, with stray bytes."""
    name = _pick(parts, chance)
    if name is None:
        return
    xml = parts[name]
    cut = chance.randrange(len(xml)) if xml else 0
    entity = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    parts[name] = chance.choice(
        (
            b"",
            xml[:cut],
            xml[cut:],
            xml + xml,
            b"\xef\xbb\xbf" + xml,
            xml.decode("utf-8", "replace").encode("utf-16"),
            re.sub(rb"\?>", b"?>" + entity, xml, count=1),
            xml[:cut] + b"\x00" + xml[cut:],
            xml[:cut] + b"\xff\xfe" + xml[cut:],
            xml.replace(b"UTF-8", b"latin-1"),
            xml.replace(b"UTF-8", b"no-such"),
            xml.replace(b"><", b">\n<"),
            xml[:cut] + b"<![CDATA[" + xml[cut:],
            xml[:cut] + b"<!-- " + xml[cut:],
            b"\x00" * 1000,
            re.sub(rb"<(/?)([a-zA-Z]+)", rb"<\1q:\2", xml),
        )
    )


def add_far_cell(parts: dict[str, bytes], chance: Random) -> None:
    name = _pick(parts, chance, r"worksheets/[^/]*\.xml$")
    if name is None:
        return
    row = chance.choice((0, 1, 900, 5000, 1_048_576, 1_048_577, 4_294_967_297))
    column = chance.choice(("A", "C", "XFD", "XFE", "AAAA"))
    one = f'<row r="{row}"><c r="{column}{row}"><v>4</v></c></row>'.encode()
    parts[name] = parts[name].replace(b"</sheetData>", one * chance.choice((1, 1, 3)) + b"</sheetData>")


def merge_and_hide(parts: dict[str, bytes], chance: Random) -> None:
    name = _pick(parts, chance, r"worksheets/[^/]*\.xml$")
    if name is None:
        return
    extra = chance.choice(
        (
            b'<mergeCells count="1"><mergeCell ref="A1:XFD1048576"/></mergeCells>',
            b'<mergeCells count="1"><mergeCell ref="A2:C5"/></mergeCells>',
            b'<autoFilter ref="A1:B2"/>',
            b'<tableParts count="1"><tablePart r:id="rId9"/></tableParts>',
        )
    )
    hide = chance.choice((b'hidden="1" ', b'collapsed="1" ', b""))
    parts[name] = parts[name].replace(b"</sheetData>", b"</sheetData>" + extra).replace(b"<row ", b"<row " + hide)


PART_MUTATORS: dict[str, Callable[[dict[str, bytes], Random], None]] = {
    f.__name__.replace("_", " "): f
    for f in (
        drop_element,
        double_element,
        rename_element,
        nest_element,
        edit_attribute,
        edit_text,
        edit_cells,
        spoil_strings,
        spoil_styles,
        spoil_part,
        add_far_cell,
        merge_and_hide,
    )
}
