"""Draws the circuits of the hardware notes; what carries danger is vermilion.

``python hardware_notes/drawings/draw.py`` writes the SVG files beside it. The tests compare them with what this gives.
"""

from __future__ import annotations

from pathlib import Path

from circuit_sheet import DANGER, INK, PAPER, PLUM, Sheet

FOLDER = Path(__file__).parent


def input_protection() -> Sheet:
    """Return the protection of one input."""
    s = Sheet("input-protection", "Protection of one input, and its anti-alias filter", 680, 330)
    s.text(20, 145, "from the probe")
    s.wire((125, 140), (170, 140))
    s.wire((s.resistor(170, 140, "10 kΩ, ½ W"), 140), (540, 140))
    s.dot(290, 140)
    s.wire((290, 140), (290, s.diode_up(290, 104)))
    s.wire((290, 104), (290, 78), (460, 78))
    s.text(470, 82, "supply of the board")
    s.wire((290, 140), (290, 166))
    s.to_ground(290, s.diode_up(290, 166), 215)
    s.text(304, 112, "Schottky pair", size=12)
    s.dot(380, 140)
    s.to_ground(380, s.capacitor_down(380, 140, "33 nF at 10,000 S/s"), 215)
    s.dot(430, 78)
    s.wire((430, 78), (430, 60), (608, 60), (608, 100))
    s.diode_up(608, 100, zener=True)
    s.wire((608, 114), (608, 124), (640, 124), (640, 215))
    s.ground(640, 215)
    s.text(622, 106, "5.6 V")
    s.box(540, 140 - 8, 80, 60, ("board", "one input"))
    s.foot(
        "The Zener diode (3.6 V on a 3.3 V board) sits across the supply, never at the pin.",
        "24 V vehicles: 10 kΩ of 2 W. Hot places: low-leakage silicon diodes, and 1 kΩ between them and the pin.",
        "Capacitor: 330 nF at 1,000 S/s, 82 nF at 4,000, 15 nF at 20,000. Sync channel: see the notes.")
    return s


def cable_shunt() -> Sheet:
    """Return a stretch of the negative battery cable as a shunt, with a fuse in every wire."""
    s = Sheet("cable-shunt", "A stretch of the negative battery cable as a shunt", 800, 470)
    s.box(20, 80, 110, 90, ("battery", "12 V"))
    s.text(112, 100, "+", size=18)
    s.text(70, 166, "−", size=18)
    s.wire((130, 95), (600, 95), width=5)
    s.text(300, 86, "positive cable: leave it alone", anchor="middle", size=12)
    s.box(600, 80, 90, 30, ("solenoid",))
    s.wire((645, 110), (645, 140), width=5)
    s.box(600, 140, 90, 40, ("starter",))
    s.wire((645, 180), (645, 210), width=5)
    s.box(580, 210, 130, 30, ("engine block",))
    s.wire((580, 225), (75, 225), (75, 170), width=5)
    s.wire((240, 210), (480, 210), width=1, dash="4 3")
    s.text(360, 202, "0.5 m of 25 mm²: 58.5 mV at 150 A", anchor="middle")
    for x in (160, 240, 480):
        s.dot(x, 225, DANGER)
        s.wire((x, 225), (x, 250), colour=DANGER)
    ends = [s.fuse(x, 250) for x in (160, 240, 480)]
    s.text(258, 262, "a 0.5 A slow fuse in each", size=12)
    s.text(258, 278, "of the three, at the tap", size=12)
    s.wire((480, ends[2]), (480, 298), (340, 298), (340, 330), (380, 330))
    s.wire((240, ends[1]), (240, 362), (380, 362))
    s.parts.append(f'<polygon points="380,312 380,380 456,346" fill="{PAPER}" stroke="{INK}" stroke-width="1.4"/>')
    s.text(385, 335, "+")
    s.text(385, 367, "−")
    s.text(402, 351, "x 15", size=12)
    s.wire((418, 363), (418, 392))
    s.text(426, 392, "+0.5 V", size=12)
    s.wire((456, 346), (500, 346))
    s.wire((s.resistor(500, 346, "10 kΩ"), 346), (660, 346))
    s.dot(590, 346)
    low = s.capacitor_down(590, 346, "33 nF")
    s.box(660, 322, 120, 60, ("board", "current input"))
    s.wire((160, ends[0]), (160, 412), (720, 412), (720, 382))
    s.wire((590, low), (590, 412))
    s.dot(590, 412)
    s.text(170, 405, "the board's own ground", size=12)
    s.foot(
        "Twist the two sense wires. The board's ground goes to the battery-side tap and nowhere else: a "
        "loose battery",
        "cable would send the starter's current through it. On a negative post with a sensor: all taps "
        "beyond the sensor.")
    return s


def coil_primary() -> Sheet:
    """Return the primary of a two-wire coil through a divider."""
    s = Sheet("coil-primary", "Primary of a two-wire coil through a divider, stretched to a millisecond", 900, 370)
    s.text(20, 62, "+12 V")
    s.wire((70, 57), (120, 57), (120, 75))
    s.wire((120, s.resistor_down(120, 75, "coil, primary", left=True)), (120, 160))
    s.dot(120, 140, DANGER)
    s.box(85, 160, 70, 36, ("driver",))
    s.to_ground(120, 196, 210)
    s.wire((120, 140), (220, 140), colour=DANGER)
    s.text(130, 156, "up to 400 V", size=12, colour=DANGER)
    x = 220.0
    for _ in range(3):
        x = s.resistor(x, 140, "33 kΩ")
        s.wire((x, 140), (x + 16, 140))
        x += 16
    s.wire((x, 140), (584, 140))
    s.dot(440, 140)
    s.wire((440, 140), (440, 165))
    s.to_ground(440, s.resistor_down(440, 165, "1 kΩ", left=True), 215)
    s.dot(490, 140)
    s.wire((490, 140), (490, 176))
    s.to_ground(490, s.diode_up(490, 176, zener=True), 215)
    s.text(506, 190, "5.1 V")
    s.text(594, 120, "small-signal", anchor="middle", size=12)
    s.wire((s.diode(584, 140), 140), (780, 140))
    s.dot(630, 140)
    s.wire((630, 140), (630, 165))
    s.to_ground(630, s.capacitor_down(630, 165, "10 nF"), 215)
    s.dot(710, 140)
    s.wire((710, 140), (710, 165))
    s.to_ground(710, s.resistor_down(710, 165, "100 kΩ"), 215)
    s.box(780, 115, 100, 50, ("board", "sync input"))
    s.wire((208, 98), (552, 98), (552, 250), (208, 250), (208, 98), colour=PLUM, width=1, dash="5 4")
    s.text(214, 268, "at the coil, in a box: no more than 5.1 V leave it", size=12, colour=PLUM)
    s.foot(
        "Not for coils with three or four wires: their primary can't be reached; use the trigger wire.",
        "Board ground to the engine block at the coil's own ground. At the board 10 kΩ, the Schottky pair, "
        "and 1 nF.")
    return s


def capacitive_pickup() -> Sheet:
    """Return the foil round a plug lead, with the diodes that hold its peak."""
    s = Sheet("capacitive-pickup", "Foil round a plug lead: the diodes hold the peak", 900, 400)
    s.wire((40, 80), (40, 318), width=7, colour=DANGER)
    s.text(56, 92, "plug lead, 2 to 12 kV", size=12, colour=DANGER)
    s.text(56, 312, "(insulation sound)", size=12, colour=DANGER)
    s.box(24, 120, 32, 50)
    s.text(64, 180, "40 mm of foil", size=12)
    s.wire((56, 145), (470, 145))
    s.text(70, 135, "about 3 pF", size=12)
    s.dot(210, 145)
    s.to_ground(210, s.capacitor_down(210, 160, "1 nF", left=True), 230)
    s.wire((210, 145), (210, 160))
    s.dot(290, 145)
    s.wire((290, 145), (290, 165))
    s.to_ground(290, s.suppressor_down(290, 165), 230)
    s.text(306, 184, "12 V", size=13)
    s.dot(380, 145)
    s.wire((380, 145), (380, 170))
    s.to_ground(380, s.diode_up(380, 170), 230)
    s.wire((s.diode(470, 145), 145), (680, 145))
    s.text(430, 124, "two small-signal diodes", anchor="middle", size=12)
    s.dot(530, 145)
    s.wire((530, 145), (530, 165))
    s.to_ground(530, s.capacitor_down(530, 165, "9 nF", left=True), 230)
    s.dot(590, 145)
    s.wire((590, 145), (590, 170))
    s.to_ground(590, s.resistor_down(590, 170, "100 kΩ"), 230)
    s.wire((s.resistor(680, 145, "10 kΩ"), 145), (795, 145))
    s.dot(765, 145)
    s.to_ground(765, s.capacitor_down(765, 165, "1 nF", left=True), 230)
    s.wire((765, 145), (765, 165))
    s.box(795, 120, 95, 50, ("board", "sync input"))
    s.wire((158, 100), (665, 100), (665, 268), (158, 268), (158, 100), colour=PLUM, width=1, dash="5 4")
    s.text(164, 286, "in a small box at the end of the screened cable", size=12, colour=PLUM)
    s.foot(
        "10 kV on compression gives 2.4 to 2.5 V, 2.5 kV on exhaust 0.6 V, whenever a board of 10,000 S/s "
        "samples.",
        "A lead of the other polarity: 1.9 to 2.0 V and 0.4 V with the same parts. Below 5,000 S/s: 470 kΩ.",
        "Screen to the engine. At the board the Schottky pair too. Fit it with the engine at rest.")
    return s


def coil_trigger() -> Sheet:
    """Return the trigger wire of a coil on plug, as a dip where it falls."""
    s = Sheet("coil-trigger", "Coil on plug: the trigger wire, one pulse where it falls", 820, 390)
    s.box(30, 95, 110, 90, ("coil on plug", "driver inside"))
    for y, words in ((110, "12 V"), (136, "trigger, 0/5 V"), (162, "ground")):
        s.wire((140, y), (165, y))
        s.text(172, y + 5, words, size=12)
    s.wire((264, 136), (320, 136))
    s.dot(264, 136)
    s.text(264, 160, "back-probe", anchor="middle", size=12)
    x = s.resistor(320, 136, "47 kΩ")
    s.wire((x, 136), (400, 136))
    s.wire((s.capacitor(400, 136, "4.7 nF"), 136), (600, 136))
    s.dot(450, 136)
    s.wire((450, 136), (450, 112), (450, 108))
    s.resistor_down(450, 68, "220 kΩ", left=True)
    s.wire((450, 68), (450, 52), (620, 52))
    s.dot(520, 136)
    s.wire((520, 136), (520, s.diode_up(520, 90)))
    s.wire((520, 90), (520, 52))
    s.dot(520, 52)
    s.text(536, 104, "small-signal", size=12)
    s.text(628, 57, "supply of the board")
    s.wire((s.resistor(600, 136, "10 kΩ"), 136), (700, 136))
    s.box(700, 111, 95, 50, ("board", "sync input"))
    s.text(60, 232, "trigger", size=12)
    s.wire((130, 240), (200, 240), (200, 216), (300, 216), (300, 240), (400, 240),
           (400, 216), (500, 216), (500, 240), (600, 240))
    s.text(60, 290, "pin", size=12)
    recovery = ((0, 296), (14, 282), (30, 274), (56, 270))
    s.wire((130, 270), (300, 270), *((300 + x, y) for x, y in recovery), (500, 270),
           *((500 + x, y) for x, y in recovery), (600, 270))
    for at in (300, 500):
        s.wire((at, 208), (at, 304), colour=PLUM, width=1, dash="4 3")
        s.text(at, 320, "spark", anchor="middle", size=12, colour=PLUM)
    s.foot(
        "The pin rests at the supply and dips where the spark comes; rising edges leave no pulse. 94 µA load "
        "the wire.",
        "Several strikes 5 ms apart while cranking count as one. Board ground at the coil's own ground.")
    return s


SHEETS = (input_protection, cable_shunt, coil_primary, capacitive_pickup, coil_trigger)


def main() -> None:
    """Write all drawings."""
    for made in SHEETS:
        sheet = made()
        (FOLDER / f"{sheet.name}.svg").write_text(sheet.svg(), encoding="utf-8")


if __name__ == "__main__":
    main()
