"""A page with this project's habits: where names and values stand, how supplies are drawn, how nets leave."""
import symbols
from draw import Sheet, width
from parts import MODULES, capacitor, precise, resistor

DOWN = {"GND", "0V24", "GND_H", "CHASSIS", "-15V"}


class Page(Sheet):
    supplies = 0

    def _two(self, symbol, ref, x, y, fields, upright, down=False):
        """A part with two pins. Upright: pin 1 (a diode's anode) is below, or above with `down`."""
        p = self.place(ref, symbols.ALL[symbol], x, y, angle=(270 if down else 90) if upright else 0, **fields)
        box = p.body()
        if upright:
            self.show(p, "Reference", box[2] + 0.7, y - 0.75)
            self.show(p, "Value", box[2] + 0.7, y + 0.75)
        else:
            self.show(p, "Reference", x, box[1] - 0.9, "center")
            self.show(p, "Value", x, box[3] + 0.9, "center")
        return p

    def r(self, ref, value, x, y, watts="0.125 W", upright=False):
        return self._two("R", ref, x, y, precise(value) if watts == "precise" else resistor(value, watts), upright)

    def c(self, ref, value, x, y, volts="50 V", upright=True):
        return self._two("C", ref, x, y, capacitor(value, volts), upright)

    def two(self, symbol, ref, fields, x, y, upright=False, down=False):
        return self._two(symbol, ref, x, y, fields, upright, down)

    def ic(self, name, ref, x, y, mirror=False):
        p = self.place(ref, symbols.ALL[name], x, y, mirror=mirror, **MODULES[name])
        box = p.body()
        if name in ("OPA197", "TLV7031"):
            self.show(p, "Reference", x + 1.5, y - 3.6)
            self.show(p, "Value", x + 1.5, y + 3.6)
            return p
        top = box[1] - 1 - (2 if any(q.angle == 270 for q in p.pins()) else 0)
        self.show(p, "Reference", box[0], top)
        self.show(p, "Value", box[0], box[3] + 1)
        return p

    def coupler(self, ref, x, y, fields, symbol="Coupler"):
        p = self.place(ref, symbols.ALL[symbol], x, y, **fields)
        self.show(p, "Reference", x, y - 3.9, "center")
        self.show(p, "Value", x, y + 3.9, "center")
        return p

    def relay(self, symbol, ref, unit, x, y, fields, mirror=False):
        p = self.place(ref, symbols.ALL[symbol], x, y, unit=unit, mirror=mirror, **fields)
        if unit == 1:
            self.show(p, "Reference", x + 3.2, y - 0.75)
            self.show(p, "Value", x + 3.2, y + 0.75)
        else:
            self.show(p, "Reference", x, p.body()[1] - 1, "center")
        return p

    def nmos(self, ref, x, y, fields):
        p = self.place(ref, symbols.ALL["NMOS"], x, y, **fields)
        self.show(p, "Reference", x + 2, y - 0.75)
        self.show(p, "Value", x + 2, y + 0.75)
        return p

    def supply(self, name, x, y):
        Page.supplies += 1
        p = self.place(f"#PWR{Page.supplies:03}", symbols.ALL[name], x, y, Value=name)
        self.show(p, "Value", x, y + (2.8 if name in DOWN else -2.6), "center", 1.0)

    def flag(self, x, y):
        Page.supplies += 1
        self.place(f"#FLG{Page.supplies:03}", symbols.ALL["PWR_FLAG"], x, y, Value="PWR_FLAG")

    def out(self, part, pin, length=3):
        """A short wire from a pin outwards; its far end."""
        found = next(p for p in part.pins() if pin in (p.number, p.name))
        x, y = part[found.number]
        angle = (found.angle + part.angle) % 360
        if part.mirror and angle in (0, 180):
            angle = 180 - angle
        dx, dy = {0: (-1, 0), 180: (1, 0), 90: (0, 1), 270: (0, -1)}[angle]
        end = (x + dx * length, y + dy * length)
        if length:
            self.wire((x, y), end)
        return end, dx

    def named(self, part, pin, net, length=None):
        """A net's name on a short wire at a pin."""
        length = length or int(width(net) + 1.5)
        (x, y), dx = self.out(part, pin, length)
        self.label(net, x if dx < 0 else x - length + 0, y)

    def leave(self, part, pin, net, kind, length=3):
        """The net of a pin leaves the page."""
        (x, y), dx = self.out(part, pin, length)
        self.port(net, x, y, "left" if dx < 0 else "right", kind)

    def tie(self, part, pin, net, length=2):
        """A pin to a supply, by a short wire and a symbol at its end."""
        (x, y), dx = self.out(part, pin, length)
        self.supply(net, x, y)

    def open(self, *pins):
        for part, pin in pins:
            self.noconnect(part[pin])

    def decouple(self, ref, value, x, y, supply, volts="50 V", ground="GND"):
        """A capacitor between a supply and its ground."""
        p = self.c(ref, value, x, y, volts)
        self.supply(supply, x, y - 3)
        self.supply(ground, x, y + 3)
        return p
