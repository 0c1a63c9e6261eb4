"""Writes KiCad 9 schematics: symbols, sheets, wires split at junctions, and a check that nothing overlaps.

Coordinates are in units of 1.27 mm, x to the right, y down, as on the page. Everything comes out the same on every run:
identifiers are derived from what they identify.
"""
import re
import uuid

UNIT = 1.27
TEXT = 1.27
SPACE = uuid.UUID("6d1b8a52-0e6c-4c1e-9d3a-5f2f6b7d9e10")
PAPERS = {"A4": (297.0, 210.0), "A3": (420.0, 297.0)}


def mm(units):
    text = f"{units * UNIT:.4f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def ident(*names):
    return str(uuid.uuid5(SPACE, "/".join(str(name) for name in names)))


def quote(text):
    return '"' + str(text).replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


def effects(size=TEXT, justify=None, hide=False, bold=False):
    font = f"(font (size {size:g} {size:g})" + (" (bold yes)" if bold else "") + ")"
    just = f" (justify {justify})" if justify else ""
    return f"(effects {font}{just}" + (" (hide yes)" if hide else "") + ")"


def width(text, size=TEXT):
    """Width of the longest line in units; the stroke font's letters are about as wide as high."""
    return max(len(re.sub(r"~\{([^}]*)\}", r"\1", line)) for line in str(text).split("\n")) * size * 1.0 / UNIT


class Pin:
    def __init__(self, number, name, kind, x, y, angle, length=2, shape="line"):
        self.number, self.name, self.kind = str(number), name, kind
        self.x, self.y, self.angle, self.length, self.shape = x, y, angle, length, shape


class Symbol:
    """A library symbol. Units are lists of pins and drawings; y is up, as in KiCad's libraries."""

    def __init__(self, name, reference, power=False, show_names=True, show_numbers=True, offset=0.4):
        self.name, self.reference, self.power = name, reference, power
        self.show_names, self.show_numbers, self.offset = show_names, show_numbers, offset
        self.units = {}
        self.fields = {}

    def unit(self, number):
        return self.units.setdefault(number, {"pins": [], "draw": [], "box": None})

    def pin(self, unit, *args, **kwargs):
        self.unit(unit)["pins"].append(Pin(*args, **kwargs))
        return self

    def box(self, unit, x0, y0, x1, y1):
        self.unit(unit)["box"] = (x0, y0, x1, y1)
        return self

    def line(self, unit, *points, width=0.2, fill="none"):
        pts = " ".join(f"(xy {mm(x)} {mm(y)})" for x, y in points)
        self.unit(unit)["draw"].append(
            f"(polyline (pts {pts}) (stroke (width {width:g}) (type default)) (fill (type {fill})))")
        return self

    def rect(self, unit, x0, y0, x1, y1, fill="background", kind="default"):
        self.unit(unit)["draw"].append(
            f"(rectangle (start {mm(x0)} {mm(y0)}) (end {mm(x1)} {mm(y1)}) "
            f"(stroke (width 0.2) (type {kind})) (fill (type {fill})))")
        return self

    def circle(self, unit, x, y, r):
        self.unit(unit)["draw"].append(
            f"(circle (center {mm(x)} {mm(y)}) (radius {mm(r)}) (stroke (width 0.2) (type default)) (fill (type none)))")
        return self

    def text(self, unit, text, x, y, size=1.0):
        self.unit(unit)["draw"].append(f"(text {quote(text)} (at {mm(x)} {mm(y)} 0) {effects(size)})")
        return self

    def sexpr(self, library=None):
        full = f"{library}:{self.name}" if library else self.name
        out = [f"(symbol {quote(full)}"]
        if self.power:
            out.append("(power)")
        if not self.show_numbers:
            out.append("(pin_numbers (hide yes))")
        out.append(f"(pin_names (offset {self.offset:g})" + ("" if self.show_names else " (hide yes)") + ")")
        bom = "no" if self.power else "yes"
        out.append(f"(exclude_from_sim no) (in_bom {bom}) (on_board {bom})")
        for key, value in [("Reference", self.reference), ("Value", self.name), ("Footprint", ""), ("Datasheet", ""),
                           ("Description", self.fields.get("Description", ""))]:
            out.append(f"(property {quote(key)} {quote(value)} (at 0 0 0) {effects(hide=True)})")
        for number, unit in sorted(self.units.items()):
            if unit["draw"]:
                out.append(f"(symbol {quote(f'{self.name}_{number}_0')}")
                out += unit["draw"]
                out.append(")")
            out.append(f"(symbol {quote(f'{self.name}_{number}_1')}")
            for p in unit["pins"]:
                out.append(
                    f"(pin {p.kind} {p.shape} (at {mm(p.x)} {mm(p.y)} {p.angle}) (length {mm(p.length)}) "
                    f"(name {quote(p.name)} {effects(1.0)}) (number {quote(p.number)} {effects(1.0)}))")
            out.append(")")
        out.append("(embedded_fonts no))")
        return "\n".join(out)


def turned(x, y, angle, mirror):
    """From a library's point (y up) to the page (y down), turned to the left by `angle`."""
    y = -y
    for _ in range(angle // 90):
        x, y = y, -x
    return (-x, y) if mirror else (x, y)


class Part:
    def __init__(self, sheet, reference, symbol, x, y, unit, angle, mirror):
        self.sheet, self.reference, self.symbol = sheet, reference, symbol
        self.x, self.y, self.unit, self.angle, self.mirror = x, y, unit, angle, mirror
        self.fields, self.shown = {}, []

    def pins(self):
        return self.symbol.units[self.unit]["pins"]

    def at(self, pin):
        found = [p for p in self.pins() if p.number == str(pin) or p.name == str(pin)]
        if len(found) != 1:
            raise KeyError(f"{self.reference} has {len(found)} pins {pin}")
        dx, dy = turned(found[0].x, found[0].y, self.angle, self.mirror)
        return (self.x + dx, self.y + dy)

    __getitem__ = at

    def body(self):
        x0, y0, x1, y1 = self.symbol.units[self.unit]["box"]
        (ax, ay), (bx, by) = (turned(x, y, self.angle, self.mirror) for x, y in ((x0, y0), (x1, y1)))
        return (self.x + min(ax, bx), self.y + min(ay, by), self.x + max(ax, bx), self.y + max(ay, by))


class Sheet:
    """One page."""

    def __init__(self, name, title, number, paper="A3"):
        self.name, self.title, self.number, self.paper = name, title, number, paper
        self.parts, self.segments, self.labels, self.noconnects, self.notes = [], [], [], [], []
        self.boxes, self.children, self.hier = [], [], {}

    # Placing.

    def place(self, reference, symbol, x, y, unit=1, angle=0, mirror=False, **fields):
        part = Part(self, reference, symbol, x, y, unit, angle, mirror)
        part.fields = fields
        self.parts.append(part)
        return part

    def show(self, part, field, x, y, justify="left", size=TEXT):
        """Shows a field at a place on the page."""
        part.shown.append((field, x, y, justify, size))

    def wire(self, *points):
        for (ax, ay), (bx, by) in zip(points, points[1:]):
            if ax != bx and ay != by:
                raise ValueError(f"{self.name}: a wire from {ax},{ay} to {bx},{by} is not straight")
            if (ax, ay) != (bx, by):
                self.segments.append(((ax, ay), (bx, by)))

    def label(self, text, x, y, side="right"):
        """A net's name. `side` is where the text goes from its point."""
        self.labels.append(("label", text, x, y, side, None))

    def port(self, text, x, y, side, kind):
        """A hierarchical label: the net leaves the sheet."""
        self.labels.append(("hierarchical_label", text, x, y, side, kind))
        self.hier.setdefault(text, kind)

    def noconnect(self, point):
        self.noconnects.append(point)

    def note(self, text, x, y, size=TEXT, bold=False):
        self.notes.append((text, x, y, size, bold))

    def frame(self, x0, y0, x1, y1, title=None):
        """A dashed frame round what belongs together."""
        self.boxes.append((x0, y0, x1, y1))
        if title:
            self.notes.append((title, x0 + 0.8, y0 + 0.8, TEXT, True))

    # Geometry.

    def pin_points(self):
        return [part.at(pin.number) for part in self.parts for pin in part.pins()]

    def split(self):
        """Wires cut at every point where something meets them: KiCad drops half of a wire that is not cut."""
        points = set(self.pin_points()) | {(x, y) for _, _, x, y, _, _ in self.labels}
        points |= {end for segment in self.segments for end in segment}
        points |= {point for child in self.children for point in child.points()}
        pieces = set()
        for (ax, ay), (bx, by) in self.segments:
            on = sorted((p for p in points if between(p, (ax, ay), (bx, by))))
            for start, end in zip(on, on[1:]):
                pieces.add((start, end))
        return sorted(pieces)

    def junctions(self, pieces):
        meet = {}
        for piece in pieces:
            for end in piece:
                meet[end] = meet.get(end, 0) + 1
        for point in self.pin_points():
            if point in meet:
                meet[point] += 1
        return sorted(point for point, count in meet.items() if count >= 3)

    def settle_labels(self):
        """Moves each net's name to the loose end of its wire, its text over the wire."""
        ends = {}
        for segment in self.segments:
            for end in segment:
                ends[end] = ends.get(end, 0) + 1
        taken = set(self.pin_points()) | {(x, y) for kind, _, x, y, _, _ in self.labels if kind != "label"}
        taken |= {point for child in self.children for point in child.points()}
        for index, (kind, text, x, y, side, shape) in enumerate(self.labels):
            if kind != "label":
                continue
            for a, b in self.segments:
                if between((x, y), a, b) and a[1] == b[1]:
                    loose = [end for end in (a, b) if ends[end] == 1 and end not in taken]
                    if len(loose) == 1:
                        (ex, ey), other = loose[0], (b if loose[0] == a else a)
                        self.labels[index] = (kind, text, ex, ey, "right" if other[0] > ex else "left", shape)

    # Overlaps.

    def rectangles(self):
        """Everything that must not lie on anything else, with a name."""
        found = []
        for part in self.parts:
            if part.symbol.units[part.unit]["box"]:
                found.append((f"{part.reference}", part.body()))
            for field, x, y, justify, size in part.shown:
                found.append((f"{field} of {part.reference}", text_box(part.fields.get(field, part.reference), x, y, justify, size)))
        for kind, text, x, y, side, _ in self.labels:
            found.append((f"label {text}", label_box(kind, text, x, y, side)))
        for text, x, y, size, bold in self.notes:
            lines = str(text).split("\n")
            grown = 1.08 if bold else 1.0
            found.append((f"note {lines[0][:30]}", (x, y, x + width(text, size) * grown, y + len(lines) * size * 1.62 / UNIT)))
        for child in self.children:
            found.append((f"sheet {child.name}", (child.x, child.y - 2.2, child.x + child.w, child.y + child.h + 2)))
        return found

    def overlaps(self):
        """Pairs of things that lie on each other, and wires that run through something."""
        self.settle_labels()
        found, rects = [], self.rectangles()
        paper = PAPERS[self.paper]
        for name, (x0, y0, x1, y1) in rects:
            if x0 < 9 or y0 < 9 or x1 > paper[0] / UNIT - 9 or y1 > paper[1] / UNIT - 9:
                found.append(f"{self.name}: {name} leaves the page")
            if x1 > paper[0] / UNIT - 96 and y1 > paper[1] / UNIT - 36:
                found.append(f"{self.name}: {name} lies on the title block")
        for index, (name, a) in enumerate(rects):
            for other, b in rects[index + 1:]:
                if apart(a, b):
                    continue
                found.append(f"{self.name}: {name} lies on {other}")
        for (ax, ay), (bx, by) in self.split():
            strip = (min(ax, bx), min(ay, by), max(ax, bx), max(ay, by))
            for name, rect in rects:
                if not apart(strip, rect):
                    found.append(f"{self.name}: a wire at {strip} runs through {name}")
        return found


def between(p, a, b):
    return (a[0] == b[0] == p[0] and min(a[1], b[1]) <= p[1] <= max(a[1], b[1])) or (
        a[1] == b[1] == p[1] and min(a[0], b[0]) <= p[0] <= max(a[0], b[0]))


def apart(a, b, margin=0.05):
    return a[2] <= b[0] + margin or b[2] <= a[0] + margin or a[3] <= b[1] + margin or b[3] <= a[1] + margin


def text_box(text, x, y, justify, size):
    w, h = width(text, size), size * 0.62 / UNIT
    x0 = {"left": x, "center": x - w / 2, "right": x - w}[justify]
    return (x0, y - h, x0 + w, y + h)


def label_box(kind, text, x, y, side):
    w = width(text) + (2.0 if kind == "hierarchical_label" else 0.4)
    low, high = (-1.3, -0.05) if kind == "label" else (-0.6, 0.6)
    return {
        "right": (x + 0.1, y + low, x + w, y + high),
        "left": (x - w, y + low, x - 0.1, y + high),
        "up": (x + low, y - w, x + high, y - 0.1),
        "down": (x + low, y + 0.1, x + high, y + w),
    }[side]


class Child:
    """A sheet's box on the root page: pins on its left and right."""

    def __init__(self, sheet, x, y, w, h, left, right):
        self.name, self.sheet = sheet.name, sheet
        self.x, self.y, self.w, self.h = x, y, w, h
        self.pins = [(net, x, y + 2 + 2 * n, 180) for n, net in enumerate(left) if net]
        self.pins += [(net, x + w, y + 2 + 2 * n, 0) for n, net in enumerate(right) if net]
        named = [net for net, *_ in self.pins]
        if sorted(named) != sorted(sheet.hier):
            raise ValueError(f"{self.name}: pins of the box and of the page differ: "
                             f"{sorted(set(named) ^ set(sheet.hier))}")

    def points(self):
        return [(x, y) for _, x, y, _ in self.pins]


TURN = {"right": 0, "up": 90, "left": 180, "down": 270}


def write_sheet(sheet, library, project, path, root, rev, company):
    """The text of one page. `path` is the page's place in the hierarchy, root first."""
    me = ident("sheet", sheet.name)
    out = ['(kicad_sch (version 20250114) (generator "proofstand") (generator_version "9.0")', f'(uuid "{me}")',
           f'(paper "{sheet.paper}")',
           f"(title_block (title {quote(sheet.title)}) (rev {quote(rev)}) (company {quote(company)}))", "(lib_symbols"]
    used = {part.symbol.name: part.symbol for part in sheet.parts}
    out += [used[name].sexpr(library) for name in sorted(used)]
    out.append(")")
    pieces = sheet.split()
    for x, y in sheet.junctions(pieces):
        out.append(f'(junction (at {mm(x)} {mm(y)}) (diameter 0) (color 0 0 0 0) (uuid "{ident(me, "j", x, y)}"))')
    for x, y in sheet.noconnects:
        out.append(f'(no_connect (at {mm(x)} {mm(y)}) (uuid "{ident(me, "nc", x, y)}"))')
    for x0, y0, x1, y1 in sheet.boxes:
        out.append(f'(rectangle (start {mm(x0)} {mm(y0)}) (end {mm(x1)} {mm(y1)}) (stroke (width 0.15) (type dash) '
                   f'(color 110 110 110 1)) (fill (type none)) (uuid "{ident(me, "frame", x0, y0)}"))')
    for (ax, ay), (bx, by) in pieces:
        out.append(f"(wire (pts (xy {mm(ax)} {mm(ay)}) (xy {mm(bx)} {mm(by)})) (stroke (width 0) (type default)) "
                   f'(uuid "{ident(me, "w", ax, ay, bx, by)}"))')
    for text, x, y, size, bold in sheet.notes:
        out.append(f"(text {quote(text)} (exclude_from_sim no) (at {mm(x)} {mm(y)} 0) "
                   f'{effects(size, "left top", bold=bold)} (uuid "{ident(me, "t", text, x, y)}"))')
    for kind, text, x, y, side, shape in sheet.labels:
        # A label's text stands above its wire; a hierarchical label's behind its flag.
        justify = {"right": "left", "up": "left", "left": "right", "down": "right"}[side]
        justify += " bottom" if kind == "label" else ""
        form = f"(shape {shape}) " if shape else ""
        out.append(f"({kind} {quote(text)} {form}(at {mm(x)} {mm(y)} {TURN[side]}) {effects(justify=justify)} "
                   f'(uuid "{ident(me, kind, text, x, y)}"))')
    for part in sheet.parts:
        out.append(write_part(part, library, project, path, me))
    for child in sheet.children:
        out.append(write_child(child, project, path, me))
    if sheet.name == root:
        out.append('(sheet_instances (path "/" (page "1")))')
    out.append("(embedded_fonts no))")
    return "\n".join(out) + "\n"


def write_part(part, library, project, path, me):
    flags = "no" if part.symbol.power else "yes"
    out = [f"(symbol (lib_id {quote(f'{library}:{part.symbol.name}')}) (at {mm(part.x)} {mm(part.y)} {part.angle})"
           + (" (mirror y)" if part.mirror else "") + f" (unit {part.unit}) (exclude_from_sim no) (in_bom {flags}) "
           f'(on_board {flags}) (dnp no) (uuid "{ident(me, part.reference, part.unit)}")']
    shown = {field: rest for field, *rest in part.shown}
    fields = {"Reference": part.reference, "Value": part.fields.get("Value", part.symbol.name), "Footprint": "",
              "Datasheet": "", "Description": part.symbol.fields.get("Description", "")}
    fields.update({key: value for key, value in part.fields.items() if key != "Value"})
    for key, value in fields.items():
        if key in shown:
            x, y, justify, size = shown[key]
            # Text turns with its symbol; this turns it back.
            angle = 90 if part.angle in (90, 270) else 0
            just = None if justify == "center" else justify
            if (part.mirror or part.angle == 90) and just:
                just = {"left": "right", "right": "left"}[just]
            out.append(f"(property {quote(key)} {quote(value)} (at {mm(x)} {mm(y)} {angle}) {effects(size, just)})")
        else:
            out.append(f"(property {quote(key)} {quote(value)} (at {mm(part.x)} {mm(part.y)} 0) {effects(hide=True)})")
    for pin in part.pins():
        out.append(f'(pin {quote(pin.number)} (uuid "{ident(me, part.reference, part.unit, pin.number)}"))')
    out.append(f"(instances (project {quote(project)} (path {quote(path)} (reference {quote(part.reference)}) "
               f"(unit {part.unit})))))")
    return "\n".join(out)


def write_child(child, project, path, me):
    uid = ident(me, "child", child.name)
    out = [f"(sheet (at {mm(child.x)} {mm(child.y)}) (size {mm(child.w)} {mm(child.h)}) (exclude_from_sim no) (in_bom yes) "
           f"(on_board yes) (dnp no) (stroke (width 0.2) (type solid)) (fill (color 255 255 240 1)) (uuid \"{uid}\")",
           f'(property "Sheetname" {quote(child.name)} (at {mm(child.x)} {mm(child.y - 0.4)} 0) '
           f'{effects(1.8, "left bottom", bold=True)})',
           f'(property "Sheetfile" {quote(child.name + ".kicad_sch")} (at {mm(child.x)} {mm(child.y + child.h + 0.4)} 0) '
           f'{effects(1.0, "left top")})']
    for net, x, y, angle in child.pins:
        out.append(f"(pin {quote(net)} {child.sheet.hier[net]} (at {mm(x)} {mm(y)} {angle}) "
                   f'{effects(justify="left" if angle == 180 else "right")} (uuid "{ident(uid, net)}"))')
    out.append(f'(instances (project {quote(project)} (path {quote(path)} (page "{child.sheet.number}")))))')
    return "\n".join(out)
