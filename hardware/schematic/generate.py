"""Writes the fixture's schematic, and, with kicad-cli, what is made from it.

    python3 generate.py            writes fixture.kicad_sch and its pages
    python3 generate.py --outputs  checks the rules and writes netlist, BOM, SVG and PDF as well (needs kicad-cli)
    python3 generate.py --check    writes everything into a folder of its own and says what differs from what is here

Python's standard library is enough, and Python comes with KiCad: a schematic is text that is changed seldom, and a
compiler would be one more thing between a reader and the drawing.
"""
import csv
import filecmp
import json
import os
import pathlib
import re
import subprocess
import sys
import tempfile

import analog
import digital
import power
import symbols
from draw import Child, ident, width, write_sheet
from page import Page

HERE = pathlib.Path(__file__).resolve().parent
LIBRARY, PROJECT, REVISION, COMPANY = "proofstand", "fixture", "A", "Proofstand"


def sheets():
    Page.supplies = 0
    pages = [digital.controller(), analog.command(), analog.readback(), analog.encoder(), digital.flags(), digital.contacts(),
             power.chain(), power.power(), power.connectors()]
    return root(pages), pages


def root(pages):
    """The first page: a box per page, from the terminals at the left to the computer at the right."""
    s = Page("fixture", "Proofstand fixture", 1)
    by = {page.name: page for page in pages}
    s.note("Proofstand fixture: bench instrument, no safety component", 14, 14, 2.4, True)
    s.note("Left: the amplifier's side. Right: the controller. Nets of the same name are one net. Cautions: CAUTIONS.md.", 14, 20)
    place = {
        "connectors": (24, 40, 38, 170),
        "chain": (124, 34, 40, 40), "command": (124, 84, 40, 22), "readback": (124, 114, 40, 14),
        "encoder": (124, 136, 40, 24), "flags": (124, 168, 40, 30), "contacts": (226, 140, 40, 24),
        "power": (226, 38, 40, 14), "controller": (226, 64, 40, 62),
    }
    out = {"connectors": None}
    for name, (x, y, w, h) in place.items():
        page = by[name]
        left, right = split(name, page.hier)
        if name == "connectors":
            left, right = [], sorted(page.hier, key=list(page.hier).index)
        rows = max(len(left), len(right))
        child = Child(page, x, y, w, 2 * rows + 2, left, right)
        s.children.append(child)
        for net, px, py, angle in child.pins:
            length = int(width(net) + 2)
            end = px + (-length if angle == 180 else length)
            s.wire((px, py), (end, py))
            s.label(net, px, py)
    return s


FIELD = re.compile(r"^(CMD_P|TORQUE_P|SPEED_P|ENC_[ABZ]_[PN]|FLAG\d_C|FLAG_RET|(ENABLE|CLEAR|PLUS|MINUS)_[AB]|CHAIN_FEED|AFTER_.*|"
                   r"SUPPLY_24V|USB_H_.*)$")


def split(name, nets):
    """A page's nets, those from the terminals at the left and the others at the right."""
    left = [net for net in nets if FIELD.match(net)]
    right = [net for net in nets if not FIELD.match(net)]
    if name == "controller":
        inputs = [net for net in nets if nets[net] in ("input", "bidirectional")]
        return inputs, [net for net in nets if net not in inputs]
    return left, right


def write(folder):
    first, pages = sheets()
    found = [fault for page in [first, *pages] for fault in page.overlaps()]
    if found:
        sys.exit("things lie on each other:\n  " + "\n  ".join(found))
    top = "/" + ident("sheet", first.name)
    for page in [first, *pages]:
        path = top if page is first else f"{top}/{ident(ident('sheet', first.name), 'child', page.name)}"
        (folder / f"{page.name}.kicad_sch").write_text(write_sheet(page, LIBRARY, PROJECT, path, first.name, REVISION, COMPANY))
    library = "\n".join(symbols.ALL[name].sexpr() for name in sorted(symbols.ALL))
    (folder / f"{LIBRARY}.kicad_sym").write_text(
        f'(kicad_symbol_lib (version 20241209) (generator "proofstand") (generator_version "9.0")\n{library}\n)\n')
    (folder / "sym-lib-table").write_text(
        f'(sym_lib_table\n  (version 7)\n  (lib (name "{LIBRARY}")(type "KiCad")(uri "${{KIPRJMOD}}/{LIBRARY}.kicad_sym")(options "")(descr ""))\n)\n')
    (folder / f"{PROJECT}.kicad_pro").write_text(json.dumps({"meta": {"filename": f"{PROJECT}.kicad_pro", "version": 3}}, indent=2) + "\n")


def cli(folder, *args):
    done = subprocess.run(["kicad-cli", *args], cwd=folder, capture_output=True, text=True,
                          env={**os.environ, "HOME": os.environ.get("HOME") or str(folder)})
    if done.returncode:
        sys.exit(f"kicad-cli {' '.join(args)}:\n{done.stdout}{done.stderr}")


def outputs(folder):
    """Rules first; then what people and tests read. Dates and machine paths are taken out."""
    made = folder / "outputs"
    made.mkdir(exist_ok=True)
    sch = f"{PROJECT}.kicad_sch"
    cli(folder, "sch", "erc", "--exit-code-violations", "--severity-all", "--format", "json", "-o", "outputs/erc.json", sch)
    report = json.loads((made / "erc.json").read_text())
    (made / "erc.json").write_text(json.dumps({"violations": [v for sheet in report["sheets"] for v in sheet["violations"]],
                                               "sheets": sorted(sheet["path"] for sheet in report["sheets"])}, indent=2) + "\n")
    cli(folder, "sch", "export", "netlist", "--format", "kicadsexpr", "-o", "outputs/fixture.net", sch)
    net = (made / "fixture.net").read_text()
    net = re.sub(r'\(source "[^"]*"\)', f'(source "{sch}")', net, count=1)
    net = re.sub(r'\(date "[^"]*"\)', '(date "")', net)
    net = re.sub(r'\(tool "[^"]*"\)', '(tool "Eeschema 9")', net)
    net = re.sub(r'\(uri "[^"]*"\)', f'(uri "{LIBRARY}.kicad_sym")', net)
    (made / "fixture.net").write_text(net)
    cli(folder, "sch", "export", "bom", "--fields", "Reference,${QUANTITY},Value,Maker,Part,Rating,Package,Basis", "--labels",
        "References,Quantity,Value,Maker,Part,Rating,Package,Basis", "--group-by", "Value,Maker,Part", "--sort-field", "Reference",
        "--ref-range-delimiter", "", "-o", "outputs/bom.csv", sch)
    cli(folder, "sch", "export", "svg", "--no-background-color", "-o", "outputs", sch)
    for svg in made.glob("*.svg"):
        text = re.sub(r"<title>.*?</title>", "<title>Proofstand fixture</title>", svg.read_text(), flags=re.S)
        svg.write_text(re.sub(r"[ \t]+\n", "\n", text))
    cli(folder, "sch", "export", "pdf", "-o", "outputs/fixture.pdf", sch)
    pdf = (made / "fixture.pdf").read_bytes()
    # The length of a date must stay: a PDF counts its bytes.
    pdf = re.sub(rb"(?<=\(D:)[^)]*(?=\))", lambda found: b"0" * len(found.group()), pdf)
    (made / "fixture.pdf").write_bytes(pdf)


def check():
    """Everything made again, elsewhere, against what is here. The PDF is left out: it has KiCad's version in it."""
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        write(folder)
        outputs(folder)
        made = sorted(p.relative_to(folder) for p in folder.rglob("*") if p.is_file() and p.suffix not in (".pdf", ".kicad_prl"))
        differ = [str(p) for p in made if not (HERE / p).exists() or not filecmp.cmp(folder / p, HERE / p, shallow=False)]
    if differ:
        sys.exit("differs from what the generator makes (python3 generate.py --outputs): " + ", ".join(differ))
    print(f"{len(made)} files are what the generator makes; no rule is violated")


def bom_lines(folder):
    with open(folder / "outputs" / "bom.csv", newline="") as file:
        return list(csv.DictReader(file))


if __name__ == "__main__":
    if "--check" in sys.argv:
        check()
    else:
        write(HERE)
        if "--outputs" in sys.argv:
            outputs(HERE)
