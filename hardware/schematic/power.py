"""Pages: stop chain with keep-alive; power and isolation; connectors."""
import symbols
from page import Page
from parts import (BAT54S, BSS138, COUPLER, FERRITE, GUIDED, INDUCTOR, LED_GREEN, N7002, PTC_1100, PTC_200, SS34, TEST_POINT,
                   TVS_33, TVS_5, TVS_COIL, TVS_RAIL, TVS_SUPPLY)


def sense(s, x, y, r, u, pull, net, kind="output"):
    """A point of the chain seen by the controller: high while the point has 24 V. Starts at (x, y), goes down."""
    s.r(r, "3k9", x, y + 3, "0.25 W", upright=True)
    s.wire((x, y + 6), (x, y + 14), (x + 7, y + 14))
    c = s.coupler(u, x + 12, y + 16, COUPLER)
    s.tie(c, "K", "0V24", 3)
    s.tie(c, "C", "+3V3", 3)
    s.wire(c["E"], (x + 29, y + 18))
    s.port(net, x + 29, y + 18, "right", kind)
    s.r(pull, "4k7", x + 23, y + 21, upright=True)
    s.supply("GND", x + 23, y + 24)


def chain():
    s = Page("chain", "Stop chain and keep-alive", 7)
    s.note("Fixture stop, hold-to-run, guard", 14, 14, 2.0, True)
    s.note("The three contacts stand in series and carry the coils themselves: firmware can withhold, never bridge. No safety component.\n"
           "GP21 asks, GP22 must keep changing: the enable contact opens within 7 ms of its last edge, and RL1 follows (SPICE: keepalive).", 14, 19)
    y = 32
    s.supply("+24V", 20, y)
    s.wire((20, y), (25, y))
    s.two("PTC", "F701", PTC_200, 28, y)
    s.wire((31, y), (38, y))
    s.port("CHAIN_FEED", 38, y, "right", "passive")
    for n, (back, forth, node, r, u, pull, net) in enumerate((
            ("S2", "S3", "AFTER_STOP", "R711", "U711", "R714", "STOP_OK"), ("S4", "S5", "AFTER_HOLD", "R712", "U712", "R715", "HOLD_OK"),
            ("S6", "on", "CHAIN24", "R713", "U713", "R716", "GUARD_OK"))):
        x = 68 + 68 * n
        s.note(f"{back}, {forth}" if n < 2 else f"{back}: the chain is closed", x - 10, y - 3)
        s.wire((x, y), (x + (8 if n < 2 else 30), y))
        s.port(node, x, y, "left", "passive")
        s.wire((x + 8, y), (x + 8, y + 2))
        sense(s, x + 8, y + 2, r, u, pull, net)
    s.wire((234, y), (262, y), (262, 34))
    s.r("R717", "4k7", 262, 37, "0.25 W", upright=True)
    s.two("LED", "D701", LED_GREEN, 262, 46, upright=True, down=True)
    s.wire((262, 40), (262, 43))
    s.supply("0V24", 262, 49)
    s.note("Chain closed (panel)", 258, 55)

    y = 102
    s.note("Keep-alive: a pump that only edges can fill", 14, 76, 1.6, True)
    s.port("KEEP_ALIVE", 34, y, "left", "input")
    b = s.ic("74AHCT1G125", "U707", 46, y)
    s.wire((34, y), b["A"])
    s.tie(b, "~{OE}", "GND", 3)
    s.tie(b, "VCC", "+5V", 2)
    s.tie(b, "GND", "GND", 4)
    s.wire(b["Y"], (57, y))
    s.c("C701", "470n", 60, y, upright=False)
    d = s.two("BAT54S", "D702", BAT54S, 72, y)
    d.shown.clear()
    s.show(d, "Reference", 74, y - 0.8)
    s.show(d, "Value", 74, y + 0.8)
    s.wire((63, y), d["COM"])
    s.wire(d["A"], (72, 108))
    s.supply("GND", 72, 108)
    s.wire(d["K"], (72, 94), (114, 94))
    s.c("C702", "470n", 84, 97)
    s.r("R701", "4k7", 92, 97, upright=True)
    s.supply("GND", 84, 100)
    s.supply("GND", 92, 100)
    c = s.ic("TLV7031", "U708", 120, 96)
    s.supply("+5V", *c["V+"])
    s.supply("GND", *c["V-"])
    s.wire(c["-"], (102, 98), (102, 113), (108, 113))
    s.r("R702", "47k", 108, 110, upright=True)
    s.r("R703", "10k", 108, 116, upright=True)
    s.supply("+5V", 108, 107)
    s.supply("GND", 108, 119)
    s.wire(c["OUT"], (134, 96))
    s.label("ALIVE", 128, 96)
    s.note("2.9 V after a rising edge, above 0.88 V is alive: 5 ms\nafter the last one it is not. Both scale with the 5 V.", 46, 118)
    s.decouple("C703", "100n", 20, 128, "+5V")
    s.decouple("C704", "100n", 34, 128, "+5V")

    x = 158
    s.note("Request and alive, in series", 140, 76, 1.6, True)
    s.supply("+5V", x, 83)
    s.r("R705", "390R", x, 86, upright=True)
    k1 = s.coupler("U705", x + 13, 96, COUPLER)
    k2 = s.coupler("U706", x + 13, 110, COUPLER)
    s.wire((x, 89), (x, 94), k1["A"])
    s.wire(k1["K"], (x, 98), (x, 108), k2["A"])
    q2, q3 = s.nmos("Q702", x, 122, BSS138), s.nmos("Q703", x, 134, BSS138)
    s.wire(k2["K"], (x, 112), q2["D"])
    s.wire(q2["S"], q3["D"])
    s.supply("GND", *q3["S"])
    s.wire(q2["G"], (142, 122))
    s.port("ENABLE_REQUEST", 142, 122, "left", "input")
    s.r("R706", "10k", 148, 125, upright=True)
    s.supply("GND", 148, 128)
    s.wire(q3["G"], (144, 134))
    s.label("ALIVE", 145, 134)

    s.note("RL1, from the chain", 200, 70, 1.6, True)
    coil = s.relay("RelayGuided", "RL1", 1, 222, 84, GUIDED)
    s.wire(coil["A1"], (222, 76), (232, 76))
    s.label("CHAIN24", 224, 76)
    q1 = s.nmos("Q701", 222, 98, N7002)
    s.wire(coil["A2"], q1["D"])
    s.supply("0V24", *q1["S"])
    s.two("D_TVS", "D703", TVS_COIL, 240, 96, upright=True)
    s.wire((222, 91), (240, 91), (240, 93))
    s.supply("0V24", 240, 99)
    s.note("D703 lets the coil\ndown from 30 V:\nRL1 is quick.", 246, 99)
    s.wire(k1["C"], (182, 94))
    s.r("R707", "10k", 185, 94)
    s.wire((188, 94), (197, 94))
    s.label("CHAIN24", 189, 94)
    s.wire(k1["E"], q1["G"])
    s.r("R708", "10k", 206, 101, upright=True)
    s.supply("0V24", 206, 104)
    s.wire(k2["C"], (186, 108))
    s.port("ENABLE_LED", 186, 108, "right", "passive")
    s.tie(k2, "E", "0V24", 3)

    q4 = s.nmos("Q704", 222, 128, BSS138)
    s.note("No keep-alive: contacts off", 200, 113, 1.6, True)
    s.wire(q4["G"], (208, 128))
    s.label("ALIVE", 209, 128)
    s.supply("GND", *q4["S"])
    s.r("R710", "10k", 240, 121, upright=True)
    s.supply("+5V", 240, 118)
    s.wire(q4["D"], (254, 124))
    s.port("nCONTACTS", 254, 124, "right", "output")

    y = 156
    s.note("RL1 seen: closed and at rest are read apart, and force-guided contacts cannot both be closed", 14, y - 8, 1.6, True)
    k = s.relay("RelayGuided", "RL1", 3, 34, y, GUIDED)
    s.wire((20, y), k["COM"])
    s.label("CHAIN24", 21, y)
    s.wire(k["NO"], (42, y), (42, y + 2))
    sense(s, 42, y + 2, "R718", "U714", "R720", "RELAY_ON")
    k = s.relay("RelayGuided", "RL1", 4, 112, y, GUIDED)
    s.supply("+24V", 102, y)
    s.wire((102, y), k["COM"])
    s.wire(k["NC"], (120, y), (120, y + 2))
    sense(s, 120, y + 2, "R719", "U715", "R721", "RELAY_REST")
    k = s.relay("RelayGuided", "RL1", 5, 190, y, GUIDED)
    s.open((k, "COM"), (k, "NC"))
    return s


def power():
    s = Page("power", "Power and isolation", 8)
    s.note("24 V in; 5 V and +-15 V isolated; USB isolated", 14, 14, 2.0, True)
    s.note("Three domains share no net: the 24 V side (chain, relays, flag loops), the controller with all analog and encoder signals,\n"
           "and the computer's USB. A ground loop through computer, fixture and amplifier can't form.", 14, 19)
    y = 46
    s.port("SUPPLY_24V", 34, y, "left", "passive")
    s.two("PTC", "F801", PTC_1100, 44, y)
    s.wire((34, y), (41, y))
    s.wire((47, y), (71, y))
    s.two("D_TVS", "D801", TVS_SUPPLY, 54, y + 5, upright=True)
    s.wire((54, y), (54, y + 2))
    s.supply("0V24", 54, y + 8)
    s.two("D_Schottky", "D802", SS34, 74, y)
    s.wire((77, y), (112, y))
    s.supply("+24V", 90, y)
    s.flag(84, y)
    s.c("C801", "10u", 98, y + 5, "50 V")
    s.wire((98, y), (98, y + 2))
    s.supply("0V24", 98, y + 8)
    s.note("Reversed: D801 conducts, F801 trips.\nSurge: 48 V at most behind D801.", 30, y + 16)
    s.supply("0V24", 40, y + 24)
    s.flag(34, y + 24)
    s.wire((34, y + 24), (40, y + 24))

    u = s.ic("TMR4-2411WI", "U801", 142, y + 4)
    s.wire((112, y), u["+Vin"])
    s.c("C802", "10u", 112, y + 5, "50 V")
    s.wire((112, y), (112, y + 2))
    s.supply("0V24", 112, y + 8)
    s.tie(u, "-Vin", "0V24", 3)
    s.open((u, "REMOTE"), (u, "5"), (u, "8"))
    s.wire(u["+Vout"], (172, y))
    s.c("C803", "22u", 160, y + 5, "10 V")
    s.wire((160, y), (160, y + 2))
    s.supply("GND", 160, y + 8)
    s.two("L", "L801", FERRITE, 175, y)
    s.wire((178, y), (192, y))
    s.supply("+5V", 166, y)
    s.c("C804", "10u", 184, y + 5, "25 V")
    s.wire((184, y), (184, y + 2))
    s.supply("GND", 184, y + 8)
    s.supply("+5VA", 192, y)
    s.flag(196, y)
    s.wire((192, y), (196, y))
    s.wire(u["-Vout"], (154, y + 4), (154, y + 8))
    s.supply("GND", 154, y + 8)
    s.two("LED", "D805", LED_GREEN, 214, y + 14, upright=True, down=True)
    s.r("R802", "1k", 214, y + 6, upright=True)
    s.wire((214, y + 9), (214, y + 11))
    s.supply("+5V", 214, y + 3)
    s.supply("GND", 214, y + 17)
    s.note("Power (panel)", 220, y + 16)

    y = 100
    u = s.ic("TMR2-2423WI", "U802", 142, y + 7)
    s.supply("+24V", 112, y)
    s.wire((112, y), u["+Vin"])
    s.c("C805", "10u", 112, y + 5, "50 V")
    s.wire((112, y), (112, y + 2))
    s.supply("0V24", 112, y + 8)
    s.tie(u, "-Vin", "0V24", 3)
    s.open((u, "REMOTE"), (u, "8"))
    for k, (pin, net, line, c1, c2, ind, tvs) in enumerate((("+Vout", "+15V", y, "C806", "C807", "L802", "D803"),
                                                            ("-Vout", "-15V", y + 12, "C808", "C809", "L803", "D804"))):
        s.wire(u[pin], (167, line))
        s.two("L", ind, INDUCTOR, 170, line)
        s.wire((173, line), (200, line))
        s.supply(net, 200, line)
        s.flag(206, line)
        s.wire((200, line), (206, line))
        dy = 3 if k == 0 else -3
        s.c(c1, "10u", 158, line + dy, "25 V")
        s.c(c2, "10u", 178, line + dy, "25 V")
        s.two("D_TVS", tvs, TVS_RAIL, 189, line + dy, upright=True)
    s.wire(u["COM"], (202, y + 6))
    s.supply("GND", 202, y + 6)
    s.note("D803, D804 take what\na miswire at the command\nterminal drives into a rail.", 209, y + 4)

    usb(s, 152)
    s.note("Earth and reference", 168, 182, 1.6, True)
    s.supply("CHASSIS", 196, 200)
    s.r("R801", "1M", 180, 194, upright=True)
    s.c("C810", "10n", 190, 194, "1 kV")
    s.wire((180, 191), (180, 189), (196, 189))
    s.wire((190, 191), (190, 189))
    s.supply("GND", 200, 189)
    s.wire((196, 189), (200, 189))
    s.wire((180, 197), (180, 200), (196, 200))
    s.wire((190, 197), (190, 200))
    s.flag(186, 200)
    s.note("Screens on CHASSIS; the signal\nreference floats to 1 Mohm.", 204, 187)

    s.note("Test points", 232, 96, 1.6, True)
    for n, (ref, net) in enumerate((("TP801", "+24V"), ("TP802", "0V24"), ("TP803", "+5V"), ("TP804", "+15V"), ("TP805", "-15V"),
                                    ("TP806", "+3V3"), ("TP807", "GND"))):
        px, py = 246 + 24 * (n % 3), 112 + 18 * (n // 3)
        p = s.place(ref, symbols.ALL["TestPoint"], px, py, **TEST_POINT)
        s.show(p, "Reference", px + 1.2, py - 1.6)
        s.wire((px, py), (px - 6, py))
        s.supply(net, px - 6, py)
    return s


def usb(s, y):
    s.note("USB", 20, y - 18, 1.6, True)
    s.port("USB_H_DM", 34, y - 2, "left", "bidirectional")
    s.port("USB_H_DP", 34, y + 4, "left", "bidirectional")
    for net, x in (("VBUS_H", 34), ("GND_H", 48)):
        s.supply(net, x, y - 9)
        s.flag(x + 6, y - 9)
        s.wire((x, y - 9), (x + 6, y - 9))
    d = s.ic("USBLC6-2", "D806", 62, y + 28)
    s.named(d, "1", "USB_H_DP")
    s.named(d, "3", "USB_H_DM")
    s.open((d, "6"), (d, "4"))
    s.tie(d, "VBUS", "VBUS_H", 6)
    s.tie(d, "GND", "GND_H", 3)
    u = s.ic("ADUM4160", "U803", 128, y)
    for n, (net, r) in enumerate((("H_DM", "R803"), ("H_DP", "R804"))):
        line = y - 2 + 6 * n
        s.wire((34, line), (69, line))
        s.r(r, "24R", 72, line)
        s.wire((75, line), (83, line))
        s.label(net, 77, line)
    s.named(u, "UD-", "H_DM", 6)
    s.named(u, "UD+", "H_DP", 6)
    s.tie(u, "VBUS1", "VBUS_H", 3)
    for pin in ("VDD1", "PDEN", "SPU"):
        s.wire(u[pin], (110, u[pin][1]))
    s.wire((110, u["VDD1"][1]), (110, u["SPU"][1]))
    s.wire((110, u["PDEN"][1]), (101, u["PDEN"][1]))
    s.label("VDD_H", 102, u["PDEN"][1])
    s.wire(u["2"], (114, u["2"][1]), (114, u["8"][1]), u["8"])
    s.supply("GND_H", 114, u["8"][1])
    s.tie(u, "VBUS2", "+5V", 3)
    for pin in ("VDD2", "PIN", "SPD"):
        s.wire(u[pin], (146, u[pin][1]))
    s.wire((146, u["VDD2"][1]), (146, u["SPD"][1]))
    s.wire((146, u["PIN"][1]), (155, u["PIN"][1]))
    s.label("VDD_C", 149, u["PIN"][1])
    s.named(u, "DD-", "C_DM", 6)
    s.named(u, "DD+", "C_DP", 6)
    s.wire(u["9"], (140, u["9"][1]), (140, u["15"][1]), u["15"])
    s.supply("GND", 140, u["15"][1])
    for n, (net, r, port) in enumerate((("C_DM", "R805", "USB_DM"), ("C_DP", "R806", "USB_DP"))):
        line = y - 2 + 6 * n
        s.wire((160, line), (169, line))
        s.label(net, 161, line)
        s.r(r, "24R", 172, line)
        s.wire((175, line), (182, line))
        s.port(port, 182, line, "right", "bidirectional")
    for n, (ref, rail, ground) in enumerate((("C811", "VBUS_H", "GND_H"), ("C812", "VDD_H", "GND_H"), ("C813", "VDD_C", "GND"), ("C814", "+5V", "GND"))):
        x = 96 + 18 * n
        s.c(ref, "100n", x, y + 34)
        s.supply(ground, x, y + 37)
        if rail in symbols.ALL:
            s.supply(rail, x, y + 31)
        else:
            s.wire((x, y + 31), (x - 7, y + 31))
            s.label(rail, x - 7, y + 31)


def connectors():
    s = Page("connectors", "Connectors", 9)
    s.note("Terminals: a letter for the block, a number in it, as on the wiring sheet", 14, 14, 2.0, True)
    s.note("What comes in from outside meets, on this page or the next, a suppressor, a resettable fuse, or a resistor that bears it.", 14, 19)
    def block(ref, letter, x, y, nets, words):
        j = s.ic(f"Terminals_{letter}", ref, x, y)
        s.note(words, x - 3, y - len(nets) - 4.4, 1.4, True)
        for n, entry in enumerate(nets, 1):
            point = j[str(n)]
            if entry is None:
                continue
            net, kind = entry
            if kind == "supply":
                s.wire(point, (point[0] + 12, point[1]))
                s.supply(net, point[0] + 12, point[1])
            elif kind == "label":
                s.wire(point, (point[0] + 28, point[1]))
                s.label(net, point[0] + 28, point[1])
            else:
                s.leave(j, str(n), net, kind, 6)
        return j

    block("J901", "C", 24, 42, [("CMD_P", "passive"), ("GND", "label"), ("CHASSIS", "label")], "C: command")
    block("J902", "R", 24, 72, [("TORQUE_P", "output"), ("READ_0V", "label"), ("CHASSIS", "label"), ("SPEED_P", "output"), ("READ_0V", "label"),
                                ("CHASSIS", "label")], "R: read-outs")
    block("J903", "E", 24, 108, [(f"ENC_{a}_{b}", "output") for a in "ABZ" for b in "PN"] + [("ENC_0V", "label"), ("CHASSIS", "label")], "E: encoder")
    block("J904", "F", 24, 160, [(f"FLAG{n // 2}_C", "passive") if n % 2 == 0 else ("FLAG_RET", "passive") for n in range(16)], "F: flags")
    block("J905", "K", 94, 48, [(f"{t}_{e}", "passive") for t in ("ENABLE", "CLEAR", "PLUS", "MINUS") for e in "AB"], "K: contacts")
    block("J906", "S", 94, 90, [(n, "passive") for n in ("CHAIN_FEED", "AFTER_STOP", "AFTER_STOP", "AFTER_HOLD", "AFTER_HOLD", "CHAIN24")],
          "S: stop, hold-to-run, guard")
    block("J907", "P", 94, 122, [("SUPPLY_24V", "passive"), ("0V24", "label"), ("CHASSIS", "label")], "P: 24 V, earth")
    block("J908", "X", 94, 148, [("TRIGGER_OUT", "label"), ("GND", "label")], "X: trigger out, 3.3 V")
    usb = s.ic("USB_B", "J909", 94, 178)
    for pin, net in (("D-", "USB_H_DM"), ("D+", "USB_H_DP")):
        s.leave(usb, pin, net, "bidirectional", 6)
    s.tie(usb, "VBUS", "VBUS_H", 3)
    s.wire(usb["SHIELD"], (104, usb["SHIELD"][1]), (104, usb["GND"][1]), usb["GND"])
    s.supply("GND_H", 104, usb["SHIELD"][1])

    s.note("Joined here", 150, 32, 1.6, True)
    for n, (net, kind) in enumerate((("CHASSIS", "CHASSIS"), ("GND", "GND"), ("0V24", "0V24"))):
        y = 40 + 8 * n
        s.wire((156, y), (172, y))
        s.label(net, 157, y)
        s.supply(kind, 172, y)
    for n, (net, ref) in enumerate((("READ_0V", "F901"), ("ENC_0V", "F902"))):
        y = 66 + 9 * n
        s.wire((156, y), (169, y))
        s.label(net, 157, y)
        s.two("PTC", ref, PTC_200, 172, y)
        s.wire((175, y), (182, y))
        s.supply("GND", 182, y)
    s.wire((156, 84), (169, 84))
    s.label("TRIGGER_OUT", 157, 84)
    s.two("PTC", "F903", PTC_200, 172, 84)
    s.wire((175, 84), (184, 84))
    s.port("TRIGGER", 184, 84, "right", "input")
    s.note("C2 has no fuse: its current would be an error of the\ncommand. The reference floats, so that a miswire to it\n"
           "alone closes no circuit.", 150, 92)

    s.note("Surge and miswire", 220, 32, 1.6, True)
    rows = [("TRIGGER", "D904", TVS_5, "GND"),
            ("CHAIN_FEED", "D905", TVS_33, "0V24"), ("AFTER_STOP", "D906", TVS_33, "0V24"), ("AFTER_HOLD", "D907", TVS_33, "0V24"), ("CHAIN24", "D908", TVS_33, "0V24"),
            ("FLAG_RET", "D909", TVS_33, "0V24")]
    for n, (net, ref, fields, ground) in enumerate(rows):
        y = 46 + 14 * n
        s.wire((226, y), (245, y))
        s.label(net, 227, y)
        s.two("D_TVS2", ref, fields, 248, y)
        s.wire((251, y), (262, y))
        s.supply(ground, 262, y)
    s.note("S2 and S3 are one net, so are S4 and S5: the contacts stand in series.", 150, 186)
    return s
