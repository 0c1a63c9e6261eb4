"""The fixture's own symbol library. Pin numbers of catalogue parts are held against KiCad's libraries by a test, where
those have the part."""
from draw import Symbol, width

ALL = {}


def keep(symbol, description):
    symbol.fields["Description"] = description
    ALL[symbol.name] = symbol
    return symbol


def two(name, reference, description, body, half=1.0, left="~", right="~", pins=("1", "2")):
    """A part with two pins, lying, from -3 to +3."""
    s = Symbol(name, reference, show_names=False, show_numbers=False, offset=0)
    s.pin(1, pins[0], left, "passive", -3, 0, 0, 2 if body != "C" else 2.5)
    s.pin(1, pins[1], right, "passive", 3, 0, 180, 2 if body != "C" else 2.5)
    s.box(1, -1.2, -half, 1.2, half)
    return keep(s, description)


r = two("R", "R", "Resistor", "R", 0.5)

r.units[1]["pins"][0].length = r.units[1]["pins"][1].length = 1
r.rect(1, -2, -0.6, 2, 0.6, fill="none").box(1, -2, -0.7, 2, 0.7)

c = two("C", "C", "Capacitor", "C", 1.2)
c.line(1, (-0.5, -1.2), (-0.5, 1.2), width=0.4).line(1, (0.5, -1.2), (0.5, 1.2), width=0.4).box(1, -0.7, -1.2, 0.7, 1.2)

ind = two("L", "L", "Inductor or ferrite bead", "L", 0.6)
ind.rect(1, -1, -0.5, 1, 0.5, fill="outline").box(1, -1.2, -0.6, 1.2, 0.6)

f = two("PTC", "F", "Resettable fuse", "F", 0.6)
f.rect(1, -1, -0.5, 1, 0.5, fill="none").line(1, (-1.5, -1), (-1, -1), (1, 1), (1.4, 1)).box(1, -1.3, -0.9, 1.3, 0.9)


def diode(name, description, cathode="plain", pins=("2", "1")):
    """Anode left, cathode right. KiCad's numbering: 1 is the cathode."""
    s = two(name, "D", description, "D", 1.0, "A", "K", pins)
    s.line(1, (-1, -1), (-1, 1), (1, 0), (-1, -1), fill="none")
    bars = {"plain": [(1, -1), (1, 1)], "zener": [(0.5, -1), (1, -1), (1, 1), (1.5, 1)],
            "schottky": [(0.6, -0.7), (0.6, -1), (1, -1), (1, 1), (1.4, 1), (1.4, 0.7)]}
    s.line(1, *bars[cathode], width=0.3)
    s.box(1, -1.1, -1.05, 1.5, 1.05)
    return s


diode("D", "Diode")
diode("D_Schottky", "Schottky diode", "schottky")
diode("D_TVS", "Transient suppressor, one direction", "zener")
led = diode("LED", "Light-emitting diode")
led.line(1, (0, 1.2), (0.7, 2)).line(1, (0.7, 1.2), (1.4, 2)).box(1, -1.1, -1.05, 1.5, 2.1)
bi = two("D_TVS2", "D", "Transient suppressor, both directions", "D", 1.0, "A1", "A2")
bi.line(1, (-2, -1), (-2, 1), (0, 0), (-2, -1)).line(1, (2, -1), (2, 1), (0, 0), (2, -1))
bi.line(1, (-0.5, -1), (0, -1), (0, 1), (0.5, 1), width=0.3).box(1, -2.1, -1.05, 2.1, 1.05)
for pin in bi.units[1]["pins"]:
    pin.length = 1

tp = Symbol("TestPoint", "TP", show_names=False, show_numbers=False, offset=0)
tp.pin(1, "1", "1", "passive", 0, 0, 90, 1).circle(1, 0, 1.5, 0.5).box(1, -0.6, 0.9, 0.6, 2.1)
keep(tp, "Test point")


def pair(name, description, schottky):
    """Two diodes in a row: 1 anode of the first, 2 cathode of the second, 3 between them. Upright, cathode up."""
    s = Symbol(name, "D", show_names=False, offset=0)
    s.pin(1, "1", "A", "passive", 0, -4, 90, 1).pin(1, "2", "K", "passive", 0, 4, 270, 1)
    s.pin(1, "3", "COM", "passive", -3, 0, 0, 3)
    for y in (-2, 2):
        s.line(1, (0, y - 1), (0, y - 0.9), (-0.9, y - 0.9), (0, y + 0.8), (0.9, y - 0.9), (0, y - 0.9))
        bar = [(-1, y + 0.8), (1, y + 0.8)]
        if schottky:
            bar = [(-1, y + 0.4), (-1, y + 0.8), (1, y + 0.8), (1, y + 1.2)]
        s.line(1, *bar, width=0.3).line(1, (0, y + 0.8), (0, y + 1))
    s.line(1, (0, -1), (0, 1)).box(1, -1.1, -3, 1.1, 3)
    return keep(s, description)


pair("BAV99", "Two diodes in a row (pin numbers from memory)", False)
pair("BAT54S", "Two Schottky diodes in a row", True)

q = Symbol("NMOS", "Q", show_names=False, offset=0)
q.pin(1, "1", "G", "input", -4, 0, 0, 2).pin(1, "2", "S", "passive", 0, -4, 90, 2).pin(1, "3", "D", "passive", 0, 4, 270, 2)
q.line(1, (-2, 0), (-1.4, 0)).line(1, (-1.4, -1.5), (-1.4, 1.5), width=0.35)
for y0, y1 in ((-1.7, -0.9), (-0.4, 0.4), (0.9, 1.7)):
    q.line(1, (-0.9, y0), (-0.9, y1), width=0.35)
q.line(1, (-0.9, 1.3), (0, 1.3), (0, 2)).line(1, (-0.9, -1.3), (0, -1.3), (0, -2)).line(1, (-0.9, 0), (0, 0), (0, -1.3))
q.line(1, (-0.8, 0), (-0.3, 0.3), (-0.3, -0.3), (-0.8, 0), fill="outline")
q.line(1, (0, 1.3), (0.9, 1.3), (0.9, -1.3), (0, -1.3)).line(1, (0.6, 0.4), (1.2, 0.4)).line(
    1, (0.9, 0.4), (0.6, -0.2), (1.2, -0.2), (0.9, 0.4), fill="outline")
q.box(1, -1.6, -2, 1.3, 2)
keep(q, "N-channel MOSFET, enhancement: 1 gate, 2 source, 3 drain")


def coupler(name, description, mosfet=False):
    """LED left (1 anode, 2 cathode), output right (4 upper, 3 lower)."""
    s = Symbol(name, "U", show_names=False, offset=0)
    s.pin(1, "1", "A", "passive", -5, 2, 0, 2).pin(1, "2", "K", "passive", -5, -2, 0, 2)
    s.pin(1, "4", "D1" if mosfet else "C", "passive", 5, 2, 180, 2).pin(1, "3", "D2" if mosfet else "E", "passive", 5, -2, 180, 2)
    s.rect(1, -3, -3, 3, 3)
    s.line(1, (-3, 2), (-1.7, 2), (-1.7, 0.7)).line(1, (-3, -2), (-1.7, -2), (-1.7, -0.7))
    s.line(1, (-2.5, 0.7), (-0.9, 0.7), (-1.7, -0.7), (-2.5, 0.7)).line(1, (-2.5, -0.7), (-0.9, -0.7), width=0.3)
    for y in (0.3, -0.5):
        s.line(1, (-0.5, y), (0.4, y)).line(1, (0.1, y + 0.2), (0.4, y), (0.1, y - 0.2))
    if mosfet:
        s.line(1, (3, 2), (1.9, 2), (1.9, 1.1)).line(1, (3, -2), (1.9, -2), (1.9, -1.1))
        s.line(1, (1.9, 1.1), (2.5, -0.9)).circle(1, 1.9, -1.0, 0.15)
    else:
        s.line(1, (1.2, -0.9), (1.2, 0.9), width=0.35).line(1, (1.2, 0.4), (2.2, 1.2), (2.2, 2), (3, 2))
        s.line(1, (1.2, -0.4), (2.2, -1.2), (2.2, -2), (3, -2)).line(1, (1.6, -1.05), (2.2, -1.2), (1.95, -0.65), (1.6, -1.05), fill="outline")
    s.box(1, -3, -3, 3, 3)
    return keep(s, description)


coupler("Coupler", "Optocoupler, phototransistor output")
coupler("PhotoRelay", "Optically driven MOSFET contact, normally open", True)


def relay(name, coil, poles, description):
    """Unit A is the coil; each pole a unit: ('no', a, b), ('nc', a, b), ('co', common, closed at rest, open at rest)."""
    s = Symbol(name, "RL", show_names=False, offset=0)
    s.pin(1, coil[0], "A1", "passive", 0, 4, 270, 2).pin(1, coil[1], "A2", "passive", 0, -4, 90, 2)
    s.rect(1, -2.5, -2, 2.5, 2).line(1, (-2.5, -1), (2.5, 1)).box(1, -2.5, -2, 2.5, 2)
    for unit, pole in enumerate(poles, 2):
        kind, common = pole[0], pole[1]
        s.pin(unit, common, "COM", "passive", -4, 0, 0, 2).circle(unit, -1.8, 0, 0.2)
        if kind == "co":
            s.pin(unit, pole[3], "NO", "passive", 4, 2, 180, 2).pin(unit, pole[2], "NC", "passive", 4, -2, 180, 2)
            s.line(unit, (2, 2), (1.5, 2), (1.5, 1)).line(unit, (2, -2), (1.5, -2), (1.5, -0.7))
            s.line(unit, (-1.6, 0), (1.9, -0.8), width=0.3).box(unit, -2, -2, 2, 2)
        else:
            s.pin(unit, pole[2], "NO" if kind == "no" else "NC", "passive", 4, 0, 180, 2).circle(unit, 1.8, 0, 0.2)
            if kind == "no":
                s.line(unit, (-1.6, 0.1), (1.8, 1.3), width=0.3)
            else:
                s.line(unit, (-1.6, -0.1), (2, 0.6), width=0.3).line(unit, (1.5, 0.15), (1.5, 1.2))
            s.box(unit, -2, -0.5, 2, 1.4)
    return keep(s, description)


# Contact marks by EN 50005; which pin of the case is which is the maker's drawing.
relay("RelayGuided", ("A1", "A2"), [("no", "13", "14"), ("no", "23", "24"), ("nc", "31", "32"), ("nc", "41", "42")],
      "Relay with force-guided contacts (IEC 61810-3), 2 normally open, 2 normally closed")
relay("RelayDPDT", ("1", "8"), [("co", "3", "2", "4"), ("co", "6", "7", "5")], "Signal relay, two change-over poles")


def box(name, reference, description, left, right, half=None, top=(), bottom=()):
    """A part drawn as a box. Each side is a list of (number, name, kind) or None for a gap, from the top down."""
    s = Symbol(name, reference, offset=0.508)
    rows = max(len(left), len(right))
    longest = max([0.0] + [width(p[1], 1.0) for p in list(left) + list(right) if p])
    half = half or max(4, int(longest + 2.5))
    y0 = rows
    s.rect(1, -half, -rows - (1 if bottom else 0), half, rows + (1 if top else 0))
    for n, p in enumerate(left):
        if p:
            s.pin(1, *p, -half - 2, y0 - 1 - 2 * n, 0)
    for n, p in enumerate(right):
        if p:
            s.pin(1, *p, half + 2, y0 - 1 - 2 * n, 180)
    for side, y, angle in ((top, rows + 3, 270), (bottom, -rows - 3, 90)):
        for n, p in enumerate(side):
            if p:
                s.pin(1, *p, 2 * n - (len(side) - 1), y, angle)
    s.box(1, -half, -rows - (1 if bottom else 0), half, rows + (1 if top else 0))
    return keep(s, description)


I, O, B, P, W, WO, T, N = "input", "output", "bidirectional", "passive", "power_in", "power_out", "tri_state", "no_connect"

PICO_LEFT = [("1", "GP0", B), ("2", "GP1", B), None, ("4", "GP2", B), ("5", "GP3", B), ("6", "GP4", B), None] + [
    (str(pin), f"GP{gpio}", B) for pin, gpio in
    ((7, 5), (9, 6), (10, 7), (11, 8), (12, 9), (14, 10), (15, 11), (16, 12))] + [
    None, ("17", "GP13", B), None, ("31", "GP26", B), ("32", "GP27", B), ("34", "GP28", B), None,
    ("TP2", "USB_DM", B), ("TP3", "USB_DP", B), ("30", "RUN", I)]
PICO_RIGHT = [("39", "VSYS", W), ("40", "VBUS", P), ("37", "3V3_EN", I), ("36", "3V3", WO), ("35", "ADC_VREF", P), None,
              ("21", "GP16", B), None, ("24", "GP18", B), None, None, ("25", "GP19", B), None, ("22", "GP17", B), ("26", "GP20", B), None,
              ("20", "GP15", B), ("27", "GP21", B), ("29", "GP22", B), ("19", "GP14", B), None,
              ("33", "AGND", W)] + [(n, "GND", W) for n in ("3", "8", "13", "18", "23", "28", "38")]
box("Pico", "A", "Raspberry Pi Pico: controller module with RP2040", PICO_LEFT, PICO_RIGHT, 8)

box("74HCT595", "U", "Shift register, serial in, eight latched outputs",
    [("14", "SER", I), ("11", "SRCLK", I), ("12", "RCLK", I), ("10", "~{SRCLR}", I), ("13", "~{OE}", I), None, ("16", "VCC", W), ("8", "GND", W)],
    [("15", "QA", T), ("1", "QB", T), ("2", "QC", T), ("3", "QD", T), ("4", "QE", T), ("5", "QF", T), ("6", "QG", T), ("7", "QH", T), ("9", "QH'", O)])
box("74HC165", "U", "Shift register, eight parallel inputs, serial out",
    [("11", "D0", I), ("12", "D1", I), ("13", "D2", I), ("14", "D3", I), ("3", "D4", I), ("4", "D5", I), ("5", "D6", I), ("6", "D7", I), ("10", "DS", I)],
    [("16", "VCC", W), ("8", "GND", W), None, ("2", "CP", I), ("1", "~{PL}", I), ("15", "~{CE}", I), None, ("9", "Q7", O), ("7", "~{Q7}", O)])
box("24AA025E64", "U", "Memory with a unique number of 64 bits, I2C",
    [("3", "SDA", B), ("1", "SCL", I)], [("6", "VCC", W), ("5", "A0", I), ("4", "A1", I), ("2", "VSS", W)])
box("AD5761R", "U", "Output converter, 16 bits, with reference (pin numbers from memory)",
    [("14", "SCLK", I), ("12", "SDI", I), ("13", "~{SYNC}", I), ("11", "~{LDAC}", I), ("10", "SDO", T), None,
     ("2", "~{CLEAR}", I), ("3", "~{RESET}", I), ("1", "~{ALERT}", O), ("9", "DNC", N)],
    [("8", "VDD", W), None, ("15", "DVCC", W), None, ("7", "VOUT", O), None, ("4", "VREF", P), None, ("5", "AGND", W), ("16", "DGND", W),
     ("6", "VSS", W)], 7)
box("ADS8684", "U", "Input converter, 16 bits, four bipolar inputs",
    [("16", "AIN_0P", I), None, ("18", "AIN_1P", I), None, ("21", "AIN_2P", I), None, ("23", "AIN_3P", I), None,
     ("17", "AIN_0GND", I), ("19", "AIN_1GND", I), ("20", "AIN_2GND", I), ("22", "AIN_3GND", I), ("10", "AUX_IN", I), ("11", "AUX_GND", I), None, ("5", "REFIO", P), ("7", "REFCAP", P), ("6", "REFGND", W), ("4", "~{REFSEL}", I)]
    + [(n, "NC", N) for n in ("12", "13", "14", "15")],
    [("9", "AVDD", W), ("30", "AVDD", W), ("34", "DVDD", W), None, ("38", "~{CS}", I), ("37", "SCLK", I), ("1", "SDI", I), ("36", "SDO", T),
     ("2", "~{RST/PD}", I), ("3", "DAISY", I), ("35", "DNC", N), ("24", "NC", N), ("25", "NC", N), ("26", "NC", N), ("27", "NC", N), None]
    + [(n, "AGND", W) for n in ("8", "28", "29", "31", "32")] + [("33", "DGND", W)], 9)
box("MAX3097E", "U", "Three RS-422 receivers that report open, shorted and weak pairs",
    [("1", "A", I), *[None] * 3, ("2", "~{A}", I), None, None, ("3", "B", I), *[None] * 3, ("4", "~{B}", I), None, None,
     ("5", "Z", I), *[None] * 3, ("6", "~{Z}", I), None, None, ("8", "DELAY", P)],
    [("16", "VCC", W), None, None, ("14", "OUTA", O), None, None, ("12", "OUTB", O), None, None, ("10", "OUTZ", O), None, None,
     ("15", "ALARMA", O), None, ("13", "ALARMB", O), None, ("11", "ALARMZ", O), None, ("9", "ALARMD", O), None, ("7", "GND", W)])
box("ADUM4160", "U", "Isolator for USB at full speed",
    [("1", "VBUS1", W), ("3", "VDD1", P), ("4", "PDEN", I), ("5", "SPU", I), ("6", "UD-", B), ("7", "UD+", B), ("2", "GND1", W), ("8", "GND1", W)],
    [("16", "VBUS2", W), ("14", "VDD2", P), ("12", "PIN", I), ("13", "SPD", I), ("11", "DD-", B), ("10", "DD+", B), ("9", "GND2", W), ("15", "GND2", W)])
box("USBLC6-2", "D", "Surge protection of two USB lines",
    [("1", "I/O1", P), ("3", "I/O2", P)], [("6", "I/O1", P), ("4", "I/O2", P), ("5", "VBUS", P), ("2", "GND", P)], 5)
sm = Symbol("SM712", "D", show_names=False, offset=0)
sm.pin(1, "1", "A1", P, 0, 4, 270, 2).pin(1, "2", "A2", P, 0, -4, 90, 2).pin(1, "3", "COM", P, 5, 0, 180, 2)
sm.rect(1, -3, -2, 3, 2).box(1, -3, -2, 3, 2)
keep(sm, "Surge protection of an RS-422 pair, -7 V to +12 V")
box("TMR4-2411WI", "U", "Isolated converter 24 V to 5 V, 4 W",
    [("2", "+Vin", W), None, ("3", "REMOTE", P), None, ("1", "-Vin", W)], [("6", "+Vout", WO), None, ("7", "-Vout", P), ("5", "NC", N), ("8", "NC", N)], 7)
box("TMR2-2423WI", "U", "Isolated converter 24 V to +15 V and -15 V, 2 W",
    [("2", "+Vin", W), None, None, ("3", "REMOTE", P), None, None, ("1", "-Vin", W)],
    [("6", "+Vout", WO), None, None, ("7", "COM", WO), None, None, ("9", "-Vout", WO), ("8", "NC", N)], 7)
box("74AHCT1G125", "U", "Buffer, TTL levels in, 5 V out",
    [None, None, ("2", "A", I), None, ("1", "~{OE}", I)], [("5", "VCC", W), None, ("4", "Y", T), None, ("3", "GND", W)])


def triangle(name, description):
    s = Symbol(name, "U", show_names=False, offset=0)
    s.pin(1, "3", "+", I, -6, 2, 0, 3).pin(1, "4", "-", I, -6, -2, 0, 3).pin(1, "1", "OUT", O, 6, 0, 180, 3)
    s.pin(1, "5", "V+", W, 0, 6, 270, 4).pin(1, "2", "V-", W, 0, -6, 90, 4)
    s.line(1, (-3, -4), (-3, 4), (3, 0), (-3, -4), fill="background")
    s.text(1, "+", -2.2, 2, 1.5).text(1, "-", -2.2, -2, 1.5).box(1, -3, -2.3, 3, 2.3)
    return keep(s, description)


triangle("OPA197", "Operational amplifier, 36 V, rail to rail")
triangle("TLV7031", "Comparator, push-pull output")


def terminals(name, count, prefix):
    s = Symbol(name, "J", show_names=True, show_numbers=False, offset=0.5)
    s.rect(1, -3, -count, 3, count)
    for n in range(count):
        s.pin(1, str(n + 1), f"{prefix}{n + 1}", P, 5, count - 1 - 2 * n, 180)
    s.box(1, -3, -count, 3, count)
    return keep(s, f"Pluggable terminals {prefix}1 to {prefix}{count}")


for letter, count in (("C", 3), ("E", 8), ("F", 16), ("K", 8), ("R", 6), ("S", 6), ("P", 3), ("X", 2)):
    terminals(f"Terminals_{letter}", count, letter)
usb = box("USB_B", "J", "USB socket, type B", [], [("1", "VBUS", P), ("2", "D-", P), ("3", "D+", P), ("4", "GND", P), ("5", "SHIELD", P)], 5)


def supply(name, down=False):
    s = Symbol(name, "#PWR", power=True, show_names=False, show_numbers=False, offset=0)
    s.pin(1, "1", name, W, 0, 0, 270 if down else 90, 0)
    if down:
        s.line(1, (0, 0), (0, -1)).line(1, (-1, -1), (1, -1), (0, -2), (-1, -1)).box(1, -1.1, -2.1, 1.1, -0.3)
    else:
        s.line(1, (0, 0), (0, 1)).line(1, (-0.6, 0.8), (0, 1.8), (0.6, 0.8)).box(1, -0.7, 0.3, 0.7, 1.9)
    return keep(s, f"Supply net {name}")


for name in ("+24V", "WET24", "+5V", "+5VA", "+3V3", "+15V", "VBUS_H"):
    supply(name)
for name in ("GND", "0V24", "GND_H", "CHASSIS", "-15V"):
    supply(name, down=True)
flag = Symbol("PWR_FLAG", "#FLG", power=True, show_names=False, show_numbers=False, offset=0)
flag.pin(1, "1", "pwr", WO, 0, 0, 90, 0).line(1, (0, 0), (0, 1), (-0.8, 1.6), (0, 2.2), (0.8, 1.6), (0, 1)).box(1, -0.9, 0.3, 0.9, 2.3)
keep(flag, "Says to the rule check that a net is driven from outside the schematic")
