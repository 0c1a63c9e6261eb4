"""What is bought: for each kind of part its maker, order code, rating and case.

`Basis` says where rating and order code come from: `symbol` where KiCad's own library has the part with this case and
these pins, `datasheet` where the maker's data sheet was read, `memory` where they must be checked before ordering.
"""


def part(value, maker, code, rating, package, basis="memory", **more):
    return {"Value": value, "Maker": maker, "Part": code, "Rating": rating, "Package": package, "Basis": basis, **more}


SUFFIX = {"R": 1.0, "k": 1e3, "M": 1e6}


def ohms(text):
    """330R, 4k7, 1M as a number."""
    for letter, factor in SUFFIX.items():
        if letter in text:
            whole, _, rest = text.partition(letter)
            return float(f"{whole or 0}.{rest or 0}") * factor
    raise ValueError(text)


def resistor(text, watts="0.125 W"):
    """Thick film, 1 %. The maker's code contains the value: 330R, 4K7, 10K."""
    if watts == "3 W":
        return part(text, "Vishay", {"330R": "PR03000203300JAC00"}[text], "5 %, 3 W", "PR03")
    series, package = {"0.125 W": ("RC0805FR-07", "0805"), "0.25 W": ("RC1206FR-07", "1206"),
                       "0.5 W": ("RC1210FR-07", "1210"), "1 W": ("RC2512FK-07", "2512")}[watts]
    return part(text, "Yageo", series + text.upper() + "L", f"1 %, {watts}", package)


def precise(text):
    """Thin film, 0.1 %, 25 ppm/K."""
    return part(text, "Vishay", {"4k7": "TNPW08054K70BEEA", "10k": "TNPW080510K0BEEA", "1k": "TNPW08051K00BEEA"}[text],
                "0.1 %, 25 ppm/K, 0.125 W", "0805")


CAPACITORS = {
    ("100n", "50 V"): ("GRM21BR71H104KA01L", "10 %, X7R, 50 V", "0805"),
    ("1n", "50 V"): ("GRM2165C1H102JA01D", "5 %, C0G, 50 V", "0805"),
    ("470n", "50 V"): ("GRM21BR71H474KA88L", "10 %, X7R, 50 V", "0805"),
    ("1u", "50 V"): ("GRM21BR71H105KA12L", "10 %, X7R, 50 V", "0805"),
    ("10u", "25 V"): ("GRM31CR71E106KA12L", "10 %, X7R, 25 V", "1206"),
    ("10u", "50 V"): ("GRM32ER71H106KA12L", "10 %, X7R, 50 V", "1210"),
    ("22u", "10 V"): ("GRM31CR71A226KE15L", "10 %, X7R, 10 V", "1206"),
    ("10n", "1 kV"): ("GRM31BR73A103KW01L", "10 %, X7R, 1 kV", "1206"),
}


def capacitor(text, volts="50 V"):
    code, rating, package = CAPACITORS[(text, volts)]
    return part(text, "Murata", code, rating, package)


PTC_200 = part("200mA", "Bel Fuse", "0ZCJ0020FF2E", "hold 0.2 A, trip 0.42 A, 30 V", "1206")
PTC_1100 = part("1A1", "Littelfuse", "1812L110/33MR", "hold 1.1 A, trip 1.95 A, 33 V", "1812")
TVS_15 = part("SMAJ15CA", "Littelfuse", "SMAJ15CA", "15 V working, 16.7 V breakdown, 400 W", "SMA")
TVS_33 = part("SMAJ33CA", "Littelfuse", "SMAJ33CA", "33 V working, 36.7 V breakdown, 400 W", "SMA")
TVS_5 = part("SMAJ5.0CA", "Littelfuse", "SMAJ5.0CA", "5 V working, 6.4 V breakdown, 400 W", "SMA")
TVS_RAIL = part("SMAJ15A", "Littelfuse", "SMAJ15A", "15 V working, 16.7 V breakdown, 400 W", "SMA")
TVS_COIL = part("SMAJ26A", "Littelfuse", "SMAJ26A", "26 V working, 28.9 V breakdown, 42 V clamped", "SMA")
TVS_SUPPLY = part("SMBJ30A", "Littelfuse", "SMBJ30A", "30 V working, 33.3 V breakdown, 600 W", "SMB")
SS34 = part("SS34", "onsemi", "SS34", "40 V, 3 A", "SMC")
SS14 = part("SS14", "onsemi", "SS14", "40 V, 1 A", "SMA")
DIODE = part("1N4148W", "Vishay", "1N4148W-E3-08", "75 V, 150 mA", "SOD-123")
BAV99 = part("BAV99", "Nexperia", "BAV99,215", "100 V, 215 mA", "SOT-23")
BAT54S = part("BAT54S", "Nexperia", "BAT54S,215", "30 V, 200 mA", "SOT-23", "symbol")
LED_GREEN = part("green", "Kingbright", "APT2012CGCK", "2.1 V, 20 mA", "0805")
BSS138 = part("BSS138", "onsemi", "BSS138", "50 V, 0.22 A, threshold 0.8 to 1.5 V", "SOT-23", "symbol")
N7002 = part("2N7002", "onsemi", "2N7002", "60 V, 0.115 A, gate 20 V", "SOT-23", "symbol")
COUPLER = part("SFH617A-3", "Vishay", "SFH617A-3", "CTR 100 to 200 % at 10 mA, 5300 V rms, 70 V", "DIP-4", "symbol")
PHOTORELAY = part("TLP222A", "Toshiba", "TLP222A(F)", "60 V, 0.5 A, trigger 3 mA, 2500 V rms", "DIP-4", "symbol")
GUIDED = part("SFS2 24 V", "Panasonic", "SFS2-L-DC24V", "24 V, 360 mW, contacts 6 A 250 V, 2a2b", "THT")
SIGNAL = part("G6K-2F-Y 24 V", "Omron", "G6K-2F-Y DC24", "24 V, 100 mW, contacts 1 A 30 V, gold clad", "SMD", "symbol")
FERRITE = part("600R@100MHz", "Murata", "BLM21PG601SN1D", "2 A", "0805")
INDUCTOR = part("10uH", "Bourns", "SRN4018-100M", "1.2 A, 20 %", "4018")
TEST_POINT = part("test point", "Keystone", "5001", "1 mm hole", "THT")
MODULES = {
    "Pico": part("Pico", "Raspberry Pi", "SC0915", "5 V in, 3.3 V 300 mA out", "Module", "symbol"),
    "74HCT595": part("74HCT595", "Nexperia", "74HCT595D,118", "4.5 to 5.5 V", "SO-16", "symbol"),
    "74HC165": part("74HC165", "Nexperia", "74HC165D,653", "2 to 6 V", "SO-16", "symbol"),
    "24AA025E64": part("24AA025E64", "Microchip", "24AA025E64T-I/OT", "1.7 to 5.5 V", "SOT-23-6", "symbol"),
    "AD5761R": part("AD5761R", "Analog Devices", "AD5761RBRUZ", "INL 2 LSB, TUE 0.1 % of span, 2 ppm/K", "TSSOP-16", "datasheet"),
    "ADS8684": part("ADS8684", "Texas Instruments", "ADS8684IDBT", "inputs tolerate 20 V", "TSSOP-38", "symbol"),
    "MAX3097E": part("MAX3097E", "Analog Devices", "MAX3097ECSE+", "-10 V to +13.2 V, 32 Mbit/s", "SO-16", "datasheet"),
    "ADUM4160": part("ADUM4160", "Analog Devices", "ADUM4160BRWZ", "5000 V rms, full speed", "SOIC-16W", "symbol"),
    "USBLC6-2": part("USBLC6-2", "STMicroelectronics", "USBLC6-2SC6", "5.25 V", "SOT-23-6", "symbol"),
    "SM712": part("SM712", "Littelfuse", "SM712-02HTG", "-7 V, +12 V, 400 W", "SOT-23", "symbol"),
    "TMR4-2411WI": part("TMR4-2411WI", "Traco Power", "TMR 4-2411WI", "9 to 36 V in, 5 V 0.8 A, 1600 V", "SIP-8", "symbol"),
    "TMR2-2423WI": part("TMR2-2423WI", "Traco Power", "TMR 2-2423WI", "9 to 36 V in, +-15 V 67 mA, 1500 V", "SIP-9", "symbol"),
    "74AHCT1G125": part("74AHCT1G125", "Nexperia", "74AHCT1G125GW,125", "4.5 to 5.5 V", "SOT-353", "symbol"),
    "OPA197": part("OPA197", "Texas Instruments", "OPA197IDBVR", "36 V, 10 MHz, 65 mA", "SOT-23-5", "symbol"),
    "TLV7031": part("TLV7031", "Texas Instruments", "TLV7031DBVR", "1.6 to 6.5 V", "SOT-23-5", "symbol"),
    "USB_B": part("USB B", "Molex", "67068-9000", "full speed", "THT"),
}
for letter, count, code in (("C", 3, "1803280"), ("R", 6, "1803316"), ("E", 8, "1803332"), ("F", 16, "1803413"), ("K", 8, "1803332"),
                            ("S", 6, "1803316"), ("P", 3, "1803280"), ("X", 2, "1803277")):
    MODULES[f"Terminals_{letter}"] = part(f"{letter}1-{letter}{count}", "Phoenix Contact", code, "8 A, 160 V, 3.81 mm", "THT", Terminal=letter)
