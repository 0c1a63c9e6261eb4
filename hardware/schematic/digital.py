"""Pages: controller; flag inputs; contact outputs."""
from page import Page
from parts import COUPLER, DIODE, GUIDED, PHOTORELAY, PTC_200, SS14, TVS_33


def controller():
    s = Page("controller", "Controller", 1)
    s.note("Pins as in pins.toml", 14, 14, 2.0, True)
    s.note("Every output that could move something has a resistor that holds it safe until the firmware runs; the contacts stay off\n"
           "until the keep-alive runs (nCONTACTS). Logic runs from the module's 3.3 V.", 14, 19)
    u = s.ic("Pico", "A101", 160, 100)
    s.named(u, "GP0", "ID_SDA")
    s.named(u, "GP1", "ID_SCL")
    for pin, net in [("GP2", "ENC_A"), ("GP3", "ENC_B"), ("GP4", "ENC_Z")] + [(f"GP{5 + n}", f"FLAG{n}") for n in range(8)] + [
            ("GP13", "ENC_FAULT"), ("GP26", "STOP_OK"), ("GP27", "HOLD_OK"), ("GP28", "RELAY_ON")]:
        s.leave(u, pin, net, "input")
    s.leave(u, "USB_DM", "USB_DM", "bidirectional")
    s.leave(u, "USB_DP", "USB_DP", "bidirectional")
    s.open((u, "RUN"), (u, "VBUS"), (u, "3V3_EN"), (u, "ADC_VREF"))
    x = 170
    y = u["VSYS"][1]
    s.wire(u["VSYS"], (180, y))
    s.two("D_Schottky", "D101", SS14, 180, y - 3, upright=True, down=True)
    s.supply("+5V", 180, y - 6)
    s.flag(174, y)
    s.wire(u["3V3"], (196, u["3V3"][1]))
    s.supply("+3V3", 196, u["3V3"][1])
    for pin, ref, net in (("GP18", "R101", "SPI_SCK"), ("GP19", "R102", "SPI_MOSI")):
        y = u[pin][1]
        s.wire(u[pin], (187, y))
        s.r(ref, "33R", 190, y)
        s.wire((193, y), (200, y))
        s.port(net, 200, y, "right", "output")
    s.leave(u, "GP16", "SPI_MISO", "input", 6)
    for pin, net in (("GP17", "nDAC_CS"), ("GP20", "nADC_CS"), ("GP21", "ENABLE_REQUEST"), ("GP22", "KEEP_ALIVE")):
        s.leave(u, pin, net, "output", 6)
    s.named(u, "GP15", "LATCH")
    y = u["GP14"][1]
    s.wire(u["GP14"], (207, y))
    s.r("R103", "220R", 210, y)
    s.wire((213, y), (218, y))
    s.port("TRIGGER", 218, y, "right", "output")
    grounds = [u["AGND"][1]] + [u[n][1] for n in ("3", "8", "13", "18", "23", "28", "38")]
    for y in grounds:
        s.wire((x, y), (174, y))
    s.wire((174, grounds[0]), (174, grounds[-1]))
    s.supply("GND", 174, grounds[-1])
    s.note("USB enters at the module's test pads, behind the isolator\n(page power). The module's own USB socket is for loading\n"
           "firmware only, with 24 V off and no axis connected.", 112, 143)

    s.note("Identity of this board", 40, 38, 1.6, True)
    m = s.ic("24AA025E64", "U103", 70, 56)
    for pin, net, px, ref in (("SDA", "ID_SDA", 48, "R104"), ("SCL", "ID_SCL", 38, "R105")):
        y = m[pin][1]
        s.wire(m[pin], (30, y))
        s.label(net, 30, y)
        s.r(ref, "4k7", px, y - 4 - (2 if pin == "SCL" else 0), upright=True)
        s.wire((px, y - 1 - (2 if pin == "SCL" else 0)), (px, y))
        s.supply("+3V3", px, y - 7 - (2 if pin == "SCL" else 0))
    s.tie(m, "VCC", "+3V3", 3)
    for pin in ("A0", "A1", "VSS"):
        s.wire(m[pin], (82, m[pin][1]))
    s.wire((82, m["A0"][1]), (82, m["VSS"][1]))
    s.supply("GND", 82, m["VSS"][1])
    s.note("The calibration belongs to this number, not to the plugged module.", 40, 66)

    s.note("Levels while no firmware runs", 240, 60, 1.6, True)
    for n, (net, ref, up) in enumerate((("nDAC_CS", "R106", True), ("nADC_CS", "R107", True), ("LATCH", "R108", False), ("TRIGGER", "R110", False))):
        px = 246 + 18 * n
        if up:
            s.r(ref, "10k", px, 74, upright=True)
            s.supply("+3V3", px, 71)
            s.wire((px, 77), (px, 79), (px - 9, 79))
            s.label(net, px - 9, 79)
        else:
            s.wire((px - 8, 71), (px, 71))
            s.label(net, px - 8, 71)
            s.r(ref, "10k", px, 74, upright=True)
            s.supply("GND", px, 77)

    s.note("Contacts out: bit 0 is QA", 226, 130, 1.6, True)
    o = s.ic("74HCT595", "U101", 250, 150)
    for pin, net in (("SER", "SPI_MOSI"), ("SRCLK", "SPI_SCK"), ("RCLK", "LATCH")):
        s.named(o, pin, net)
    s.tie(o, "~{SRCLR}", "+5V", 16)
    s.leave(o, "~{OE}", "nCONTACTS", "input", 3)
    s.tie(o, "VCC", "+5V", 9)
    s.tie(o, "GND", "GND", 3)
    for pin, net in (("QA", "CO_CLEAR"), ("QB", "CO_PLUS"), ("QC", "CO_MINUS"), ("QD", "CHANGE_OVER")):
        s.leave(o, pin, net, "output")
    s.open(*((o, pin) for pin in ("QE", "QF", "QG", "QH", "QH'")))

    s.note("Contacts in: bit 0 is D0; bits 7 and 6 tell that the register is there", 36, 150, 1.6, True)
    i = s.ic("74HC165", "U102", 70, 172)
    for pin, net in (("D0", "GUARD_OK"), ("D1", "RELAY_REST"), ("D2", "CHANGE_REST"), ("D3", "ALARM_A"), ("D4", "ALARM_B"), ("D5", "ALARM_Z")):
        s.leave(i, pin, net, "input")
    s.wire(i["D6"], (52, i["D6"][1]), (52, i["DS"][1]), i["DS"])
    s.wire((52, i["DS"][1]), (52, i["DS"][1] + 2))
    s.supply("GND", 52, i["DS"][1] + 2)
    s.tie(i, "D7", "+3V3", 20)
    s.tie(i, "VCC", "+3V3", 3)
    s.tie(i, "GND", "GND", 16)
    s.named(i, "CP", "SPI_SCK")
    s.named(i, "~{PL}", "LATCH")
    s.tie(i, "~{CE}", "GND", 12)
    s.wire(i["Q7"], (103, i["Q7"][1]))
    s.r("R109", "4k7", 106, i["Q7"][1])
    s.wire((109, i["Q7"][1]), (118, i["Q7"][1]))
    s.label("SPI_MISO", 110, i["Q7"][1])
    s.open((i, "~{Q7}"))
    s.note("4k7: a converter that is selected overrides the register.", 92, 187)

    s.note("At the supply pins", 226, 172, 1.6, True)
    for n, (ref, net) in enumerate((("C101", "+5V"), ("C102", "+3V3"), ("C103", "+3V3"), ("C104", "+5V"))):
        s.decouple(ref, "10u" if n == 3 else "100n", 232 + 14 * n, 184, net, "25 V" if n == 3 else "50 V")
    return s


def flags():
    s = Page("flags", "Flag inputs", 5)
    s.note("Eight open-collector flags", 14, 14, 2.0, True)
    s.note("24 V through coupler and 3k3 to the collector, emitter to FLAG_RET. 680R takes the leakage of an open output: off below 6 V,\n"
           "on above 10 V over the coupler's life; 6.9 mA at 24 V (IEC 61131-2 type 3; SPICE: flag). Low at the controller: conducts.", 14, 19)
    for n in range(8):
        x, y = (24, 165)[n // 4], 46 + 38 * (n % 4)
        ref = 501 + n
        s.port(f"FLAG{n}_C", x + 12, y + 4, "left", "passive")
        s.r(f"R{ref}", "3k3", x + 18, y + 4, "0.5 W")
        s.wire((x + 12, y + 4), (x + 15, y + 4))
        s.wire((x + 21, y + 4), (x + 54, y + 4), (x + 54, y + 2), (x + 57, y + 2))
        s.supply("WET24", x + 26, y - 4)
        s.wire((x + 26, y - 4), (x + 54, y - 4), (x + 54, y - 2), (x + 57, y - 2))
        s.r(f"R{ref + 10}", "680R", x + 31, y, upright=True)
        s.two("D", f"D{ref}", DIODE, x + 42, y, upright=True)
        for px in (x + 31, x + 42):
            s.wire((px, y - 4), (px, y - 3))
            s.wire((px, y + 3), (px, y + 4))
        u = s.coupler(f"U{ref}", x + 62, y, COUPLER)
        s.tie(u, "E", "GND", 3)
        s.wire(u["C"], (x + 82, y - 2))
        s.port(f"FLAG{n}", x + 82, y - 2, "right", "output")
        s.r(f"R{ref + 20}", "4k7", x + 74, y - 5, upright=True)
        s.supply("+3V3", x + 74, y - 8)
    s.note("Supply of the loops", 24, 190, 1.6, True)
    s.supply("+24V", 30, 200)
    s.two("PTC", "F501", PTC_200, 38, 200)
    s.wire((30, 200), (35, 200))
    s.wire((41, 200), (48, 200))
    s.supply("WET24", 48, 200)
    s.flag(44, 200)
    s.port("FLAG_RET", 80, 200, "left", "passive")
    s.wire((80, 200), (87, 200))
    s.two("PTC", "F502", PTC_200, 90, 200)
    s.wire((93, 200), (100, 200))
    s.supply("0V24", 100, 200)
    s.note("All eight: 64 mA at 28.8 V.", 112, 199)
    return s


def contacts():
    s = Page("contacts", "Contact outputs", 6, "A4")
    s.note("Contacts that stand in for controller and switches", 14, 14, 2.0, True)
    s.note("Each is open without supply, without keep-alive and without firmware: an end switch then reads as tripped. 60 V, 0.2 A.\n"
           "Enable passes RL1, which the chain holds, and a contact of its own: either opens it (SPICE: keepalive, contact).", 14, 19)
    rows = (("CO_CLEAR", "CLEAR", 601, "Clear fault"), ("CO_PLUS", "PLUS", 602, "End switch +"), ("CO_MINUS", "MINUS", 603, "End switch -"))
    for n, (net, terminal, ref, what) in enumerate(rows):
        y = 44 + 28 * n
        s.note(what, 30, y - 13, 1.6, True)
        s.port(net, 40, y - 2, "left", "input")
        s.wire((40, y - 2), (47, y - 2))
        s.r(f"R{ref}", "680R", 50, y - 2)
        u = s.coupler(f"U{ref}", 66, y, PHOTORELAY, "PhotoRelay")
        s.wire((53, y - 2), u["A"])
        s.tie(u, "K", "GND", 4)
        output(s, u, ref, y, 66, terminal)
    y = 134
    s.note("Enable", 30, y - 14, 1.6, True)
    s.port("CHAIN24", 34, y - 2, "left", "passive")
    s.wire((34, y - 2), (47, y - 2))
    s.r("R604", "4k7", 50, y - 2, "0.25 W")
    u = s.coupler("U604", 66, y, PHOTORELAY, "PhotoRelay")
    s.wire((53, y - 2), u["A"])
    s.wire(u["K"], (34, y + 2))
    s.port("ENABLE_LED", 34, y + 2, "left", "passive")
    output(s, u, 604, y, 66, "ENABLE", relay=True)
    s.note("LED 4.8 mA from the chain, through the coupler U706 (page chain).", 30, y + 8)
    return s


def output(s, u, ref, y, x, terminal, relay=False):
    """The contact's way to its two terminals: resettable fuse, and a suppressor across."""
    s.wire(u["D1"], (x + 8, y - 2), (x + 8, y - 4))
    s.wire(u["D2"], (x + 8, y + 2), (x + 8, y + 4))
    start = x + 8
    if relay:
        k = s.relay("RelayGuided", "RL1", 2, x + 18, y - 4, GUIDED)
        s.wire((start, y - 4), k["COM"])
        start = k["NO"][0]
    s.wire((start, y - 4), (x + 30, y - 4))
    s.two("PTC", f"F{ref}", PTC_200, x + 33, y - 4)
    s.wire((x + 36, y - 4), (x + 58, y - 4))
    s.wire((x + 8, y + 4), (x + 58, y + 4))
    s.two("D_TVS2", f"D{ref}", TVS_33, x + 45, y, upright=True)
    s.wire((x + 45, y - 4), (x + 45, y - 3))
    s.wire((x + 45, y + 4), (x + 45, y + 3))
    s.port(f"{terminal}_A", x + 58, y - 4, "right", "passive")
    s.port(f"{terminal}_B", x + 58, y + 4, "right", "passive")
