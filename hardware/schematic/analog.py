"""Pages: command output with change-over; read-back and read-outs; encoder receiver."""
from page import Page
from parts import BAV99, COUPLER, DIODE, PTC_200, SIGNAL, TVS_15


def command():
    s = Page("command", "Command output with change-over", 2)
    s.note("Converter to terminal", 14, 14, 2.0, True)
    s.note("The 330R stands inside the loop: the terminal is exact at any load. 24 V on the terminal: the amplifier sinks its 65 mA,\n"
           "1.4 W in R203, until the read-back differs and RL2 opens; the tie bears it for ever. Short: below 65 mA (SPICE: command).\n"
           "RL2 at rest opens the series path first and ties the terminal to 0 V: a converter stuck at 10 V reaches nothing.", 14, 19)
    u = s.ic("AD5761R", "U201", 60, 70)
    s.leave(u, "SCLK", "SPI_SCK", "input")
    s.leave(u, "SDI", "SPI_MOSI", "input")
    s.leave(u, "~{SYNC}", "nDAC_CS", "input")
    s.leave(u, "SDO", "SPI_MISO", "tri_state")
    s.tie(u, "~{LDAC}", "GND", 23)
    s.wire((51, 72), (47, 72), (47, 74), (51, 74))
    s.wire((47, 72), (32, 72))
    s.supply("+3V3", 32, 72)
    s.open((u, "~{ALERT}"), (u, "DNC"))
    s.tie(u, "VDD", "+15V")
    s.tie(u, "DVCC", "+3V3", 6)
    s.wire((69, 72), (80, 72))
    s.c("C201", "100n", 80, 75)
    s.supply("GND", 80, 78)
    s.wire((69, 76), (72, 76), (72, 78), (69, 78))
    s.supply("GND", 72, 78)
    s.supply("-15V", 69, 80)
    s.note("2.5 V\nreference", 84, 78)

    s.wire((69, 68), (87, 68))
    s.r("R201", "1k", 90, 68)
    s.wire((93, 68), (104, 68))
    s.c("C202", "1n", 95, 71)
    s.supply("GND", 95, 74)
    o = s.ic("OPA197", "U202", 110, 70)
    s.supply("+15V", *o["V+"])
    s.supply("-15V", *o["V-"])
    s.wire(o["OUT"], (127, 70))
    s.r("R203", "330R", 130, 70, "3 W")
    s.wire((133, 70), (156, 70))
    s.wire((120, 70), (120, 75))
    s.c("C203", "1n", 120, 78)
    s.wire((120, 81), (101, 81))
    s.wire(o["-"], (101, 72), (101, 87), (117, 87))
    s.r("R202", "10k", 120, 87)
    s.wire((123, 87), (140, 87), (140, 70))
    s.note("C203 closes the loop above 16 kHz: steady with any\ncable; R202 keeps 24 V out of the amplifier's input.", 100, 91)
    d = s.two("BAV99", "D201", BAV99, 126, 58)
    d.shown.clear()
    s.show(d, "Reference", 128, 57.2)
    s.show(d, "Value", 128, 58.8)
    s.wire((120, 70), (120, 58), d["COM"])
    s.supply("+15V", *d["K"])
    s.supply("-15V", *d["A"])
    s.wire((146, 70), (146, 62), (150, 62))
    s.port("CMD_SENSE", 150, 62, "right", "output")

    k = s.relay("RelayDPDT", "RL2", 2, 160, 72, SIGNAL, mirror=True)
    s.wire(k["NC"], (150, 74), (150, 75))
    s.r("R204", "1k", 150, 78, "1 W", upright=True)
    s.supply("GND", 150, 81)
    s.wire(k["COM"], (176, 72))
    s.port("CMD_P", 176, 72, "right", "passive")
    s.note("R204 bears 24 V on the\nterminal: 0.58 W.", 157, 80)

    s.note("Change-over: from the chain itself, not through RL1", 110, 104, 1.6, True)
    coil = s.relay("RelayDPDT", "RL2", 1, 160, 120, SIGNAL)
    s.wire(coil["A1"], (160, 112), (136, 112))
    s.port("CHAIN24", 136, 112, "left", "passive")
    s.two("D", "D202", DIODE, 143, 120, upright=True)
    s.wire((143, 117), (143, 112))
    s.wire((143, 123), (143, 126), (160, 126))
    s.wire(coil["A2"], (160, 132), (155, 132))
    u = s.coupler("U203", 150, 134, COUPLER)
    s.tie(u, "E", "0V24", 3)
    s.wire(u["A"], (141, 132))
    s.r("R205", "820R", 138, 132)
    s.wire((135, 132), (130, 132))
    s.port("CHANGE_OVER", 130, 132, "left", "input")
    s.tie(u, "K", "GND", 3)
    s.note("Coil 4.2 mA at 24 V: the coupler carries it alone.", 110, 142)

    s.note("Read-back of the contact", 196, 104, 1.6, True)
    k = s.relay("RelayDPDT", "RL2", 3, 206, 120, SIGNAL)
    s.tie(k, "COM", "+3V3", 3)
    s.open((k, "NO"))
    s.wire(k["NC"], (222, 122))
    s.port("CHANGE_REST", 222, 122, "right", "output")
    s.r("R206", "10k", 216, 125, upright=True)
    s.supply("GND", 216, 128)
    s.note("High: the contact is at rest. Closed shows as the\nterminal's own voltage (page read-back).", 196, 136)

    s.note("At the supply pins", 14, 104, 1.6, True)
    for n, (ref, net) in enumerate((("C204", "+15V"), ("C205", "+15V"), ("C206", "+3V3"))):
        s.decouple(ref, "100n", 20 + 14 * n, 118, net)
    for n, ref in enumerate(("C207", "C208")):
        x = 62 + 16 * n
        s.c(ref, "100n", x, 118)
        s.wire((x, 115), (x - 4, 115))
        s.supply("GND", x - 4, 115)
        s.supply("-15V", x, 121)
    s.note("U201 and U202 each have one on every supply.", 14, 128)
    return s


def readback():
    s = Page("readback", "Read-back and read-outs", 3)
    s.note("Four inputs, +-10.24 V", 14, 14, 2.0, True)
    s.note("4k7 with 1 Mohm of the converter loses 0.47 %: calibrated out. With 1 nF it cuts at 34 kHz, above the converter's own\n"
           "15 kHz filter, and holds 24 V at the terminal to 2.4 mA (SPICE: readout). Command is read on both sides of RL2.", 14, 19)
    u = s.ic("ADS8684", "U301", 150, 100)
    rows = (("CMD_P", "R301", "C301", 44, 136, "Terminal, behind the change-over contact"),
            ("CMD_SENSE", "R302", "C302", 62, 133, "Converter, before the contact"),
            ("TORQUE_P", "R303", "C303", 86, None, "Torque read-out"),
            ("SPEED_P", "R304", "C304", 102, 130, "Speed read-out"))
    for n, (net, r, c, y, lane, what) in enumerate(rows):
        pin = u[f"AIN_{n}P"]
        s.note(what, 30, y - 6)
        s.port(net, 40, y, "left", "input")
        s.wire((40, y), (53, y))
        s.r(r, "4k7", 56, y, "precise")
        if lane:
            s.wire((59, y), (lane, y), (lane, pin[1]), pin)
        else:
            s.wire((59, y), pin)
        s.c(c, "1n", 72, y + 3)
        s.supply("GND", 72, y + 6)
        s.two("D_TVS2", f"D30{n + 1}", TVS_15, 86, y + 3, upright=True)
        s.supply("GND", 86, y + 6)
    for pin in ("AIN_0GND", "AIN_1GND", "AIN_2GND", "AIN_3GND", "AUX_IN", "AUX_GND"):
        s.wire(u[pin], (136, u[pin][1]))
    s.wire((136, 94), (136, 104), (126, 104))
    s.supply("GND", 126, 104)
    s.wire(u["REFIO"], (112, 108))
    s.c("C305", "10u", 112, 111, "25 V")
    s.wire(u["REFCAP"], (124, 110))
    s.c("C306", "22u", 124, 113, "10 V")
    s.wire(u["REFGND"], (136, 112), (136, 114), u["~{REFSEL}"])
    s.wire((136, 114), (136, 120), (112, 120), (112, 114))
    s.wire((124, 116), (124, 120))
    s.supply("GND", 118, 120)
    s.note("Own reference of 4.096 V", 106, 126)
    for pin in ("12", "13", "14", "15", "24", "25", "26", "27", "35"):
        s.open((u, pin))
    s.wire(u["9"], (165, 78), (165, 80), u["30"])
    s.supply("+5VA", 165, 78)
    s.tie(u, "DVDD", "+3V3", 12)
    s.leave(u, "~{CS}", "nADC_CS", "input")
    s.leave(u, "SCLK", "SPI_SCK", "input")
    s.leave(u, "SDI", "SPI_MOSI", "input")
    s.leave(u, "SDO", "SPI_MISO", "tri_state")
    s.tie(u, "~{RST/PD}", "+3V3", 26)
    s.tie(u, "DAISY", "GND", 3)
    for pin in ("8", "28", "29", "31", "32", "33"):
        s.wire(u[pin], (165, u[pin][1]))
    s.wire((165, u["8"][1]), (165, u["33"][1]))
    s.supply("GND", 165, u["33"][1])
    s.note("At the supply pins", 200, 60, 1.6, True)
    for n, (ref, value, net, volts) in enumerate((("C307", "100n", "+5VA", "50 V"), ("C308", "100n", "+5VA", "50 V"),
                                                  ("C309", "10u", "+5VA", "25 V"), ("C310", "100n", "+3V3", "50 V"))):
        s.decouple(ref, value, 206 + 14 * n, 74, net, volts)
    return s


def encoder():
    s = Page("encoder", "Encoder receiver", 4, "A4")
    s.note("Three RS-422 pairs with alarms", 14, 14, 2.0, True)
    s.note("120R ends each pair. No bias to the rails: the receiver reports an open wire, a short and a weak pair itself, each pair by\n"
           "name, and an alarm trips the fixture (SPICE: receiver). SM712 and the PTCs bear 24 V on a pair until the PTC has tripped.", 14, 19)
    u = s.ic("MAX3097E", "U401", 170, 96)
    for n, letter in enumerate("ABZ"):
        y = u[letter][1]
        for k, (sign, dy) in enumerate((("P", 0), ("N", 8))):
            s.port(f"ENC_{letter}_{sign}", 46, y + dy, "left", "input")
            s.wire((46, y + dy), (57, y + dy))
            s.two("PTC", f"F40{2 * n + k + 1}", PTC_200, 60, y + dy)
            s.wire((63, y + dy), (u[letter][0], y + dy))
        d = s.ic("SM712", f"D40{n + 1}", 84, y + 4)
        d.shown.clear()
        s.show(d, "Reference", 80.3, y + 3.2, "right")
        s.show(d, "Value", 80.3, y + 4.8, "right")
        s.supply("GND", *d["COM"])
        s.r(f"R40{n + 1}", "120R", 110, y + 4, "0.5 W", upright=True)
        s.wire((110, y), (110, y + 1))
        s.wire((110, y + 7), (110, y + 8))
        out = u[f"OUT{letter}"]
        s.wire(out, (184, out[1]))
        s.r(f"R40{n + 4}", "33R", 187, out[1])
        s.wire((190, out[1]), (196, out[1]))
        s.port(f"ENC_{letter}", 196, out[1], "right", "output")
        s.leave(u, f"ALARM{letter}", f"ALARM_{letter}", "output", 6)
    s.leave(u, "ALARMD", "ENC_FAULT", "output", 6)
    s.tie(u, "VCC", "+3V3")
    s.tie(u, "GND", "GND")
    s.wire(u["DELAY"], (150, u["DELAY"][1]))
    s.c("C401", "1n", 150, u["DELAY"][1] + 3)
    s.supply("GND", 150, u["DELAY"][1] + 6)
    s.note("Delay of the common alarm, so that\nslow edges raise none (memory).", 112, u["DELAY"][1] + 2)
    s.decouple("C402", "100n", 214, 70, "+3V3")
    s.note("33R: no ringing on the\nway to the controller.", 200, 96)
    return s
