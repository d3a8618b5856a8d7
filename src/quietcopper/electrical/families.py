"""Kinds of lines by name, each with the figures assumed of its driver until a model or the user says better.

Every figure is a typical one for ranking, not a limit. Where no source stands beside it, it is common practice, no
source. Names are read like in `names`: words of the last part of a hierarchical name.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache

from quietcopper.electrical.names import AGAINST, leaf, name_hint, says_nothing, words


@dataclass(frozen=True)
class Family:
    """What is assumed of a line's driver.

    name : as in "taken for <name>"; kind : clock, data, slow or none; rise : 10-90 %, s; source : ohm; rate : clock
    frequency or half the bit rate, Hz; swing : V, None where the driver's supply decides
    """

    name: str
    kind: str
    rise: float
    source: float
    rate: float
    swing: float | None = None

    def at(self, rate: float) -> Family:
        return replace(self, rate=rate)


# CMOS outputs of today without slew control: edges of about 1 ns, 25 to 50 ohm; common practice, no source
CLOCK = Family("a clock", "clock", 1e-9, 35.0, 25e6)
DATA = Family("a data line", "data", 1e-9, 35.0, 12.5e6)
# outputs that nobody hurries (indicators, straps, resets, enables): 5 to 25 ns at the slow settings of a
# microcontroller's pins (data sheets of the STM32F4, I/O AC characteristics; from memory), open drains slower still
SLOW = Family("a slow logic line", "slow", 10e-9, 35.0, 1e3)
MEMORY = Family("a memory bus line", "data", 0.5e-9, 35.0, 66e6)
MEMORY_CLOCK = Family("a memory clock", "clock", 0.5e-9, 35.0, 133e6)
DDR = Family("a DDR memory line", "data", 0.2e-9, 40.0, 400e6)
DDR_CLOCK = Family("a DDR memory clock", "clock", 0.2e-9, 40.0, 400e6)
# fall time of a fast-mode output at 3.3 V, 20 ns·V/5.5 V: NXP UM10204, I2C-bus specification, table 10 (from memory)
I2C_CLOCK = Family("an I2C clock", "clock", 12e-9, 35.0, 400e3)
I2C_DATA = Family("an I2C data line", "data", 12e-9, 35.0, 200e3)
# 4 to 20 ns, 28 to 44 ohm: Universal Serial Bus Specification 2.0, section 7.1.2 (from memory), full speed
USB = Family("a full-speed USB line", "data", 4e-9, 45.0, 6e6, 3.3)
LANE = Family("a serial lane", "data", 0.15e-9, 50.0, 500e6, 0.4)
LANE_CLOCK = Family("a differential clock", "clock", 0.3e-9, 50.0, 100e6, 0.4)
# 0.35 V, 0.26 to 1.5 ns: TIA/EIA-644 (from memory)
LVDS = Family("a differential line", "data", 0.3e-9, 50.0, 100e6, 0.35)
CAN = Family("a CAN line", "data", 30e-9, 50.0, 250e3, 1.5)
RS485 = Family("an RS-485 line", "data", 10e-9, 50.0, 500e3, 2.0)
# MLT-3 at 125 MBd, 3 to 5 ns, 1 V: ANSI X3.263 as taken over by IEEE 802.3 clause 25 (from memory)
ETHERNET = Family("an Ethernet line", "data", 4e-9, 50.0, 31.25e6, 1.0)
# a sine of 1 V peak to peak from the weak driver of a crystal; its 10-90 % time is 0.295/f (exact for a sine)
CRYSTAL = Family("a crystal's line", "clock", 0.295 / 25e6, 1000.0, 25e6, 1.0)
ANALOG = Family("an analog line", "slow", 1e-6, 100.0, 1e3, 0.1)
# its carrier is wanted and not counted here; what is left is the quiet of an analog line
RADIO = Family("a radio-frequency line", "slow", 1e-6, 50.0, 1e3, 0.1)
# 0.8 V, 0.35 ns, 7 ohm of an emitter follower; the slower kinds take 1 to 2 ns: data sheets of 10E and 100E logic (from
# memory)
ECL = Family("an emitter-coupled line", "data", 0.35e-9, 7.0, 12.5e6, 0.8)
SWITCHING = Family("the switched node of a converter", "clock", 5e-9, 1.0, 500e3)
FALLBACK_BY_KIND = {"clock": CLOCK, "data": DATA, "slow": SLOW}

_SLOW = (
    r"\w*LED(?:[A-Z]|\d+)?|RE?SE?T\w{0,2}|(?:N|M|P|X|S|T|HW|SYS|POR|PE|MR|USB|LCD|PHY|CPU|ADC|DAC|NT|NS|C|RTC|SRTC|PLT|CORE)"
    r"RE?SE?T\w{0,2}|N?EN[ABN]?\d*|ENABLE|DIS|DISABLE|BOOT\w{0,2}|STRAP\w*|CFG\w*|CONF\w*|MODE\d*|SEL\d*|SELECT|PG|PGD|PGOOD|PWRGD|POK|"
    r"FAULT|FLT|DET|DETECT|CD|\w{0,4}BTN\w*|\w{0,4}BUTTON\w*|KEY\w*|N?INT\w?|IRQ\w?|ALERT\w?|WAKE\w*|SHDN\w?|SHUTDOWN|SLEEP|STBY|"
    r"STANDBY|SLP\w*|PD|PDN|PWRDN|PWDN|PWRON|ID\d?|STAT\w*|PRSNT\w?|PRESENT|BUZ\w*|BEEP\w*|SPKR|RELAY\w*|FAN\w*|TACH|WP|HOLD|ON|OFF|"
    r"TEST\w*|WDT|WDI|WDO|CC[12]|HPD|CEC|DONE|CDONE|INIT\w?|PROG\w*|READY|RDY|BUSY|LOCKED|U?N?LOCK|ERR|ERROR|FLAG\w?|MUTE|BL|"
    r"BACKLIGHT|PTT|CLKREQ\w?|CLKEN|SDN|SUCCESS|ZEROCROSS|OC|FORCE|DRV|PWM\w*|POWERON|NMI|"
    r"[AD]C[ _]?CPL\w*|TERM[ _]\d|CPL\d*|COUPLING|R(?:E?LA?)Y\d*|"
    r"ATTEN[ _]?\d+|PROBE[ _]?COMP"  # what switches an attenuator, a probe's square wave; ATTEN_50X is a divider's node
)
_ANALOG = (
    r"AIN\w*|AN\d+|VREF\w*|V?FB\d*|COMP\d*|\w*SENSE\w*|V?SNS\w*|[VI]SUM\w*|ISEN\w*|VSAMP|IMON|VMON|NTC\w*|THERM\w*|TEMP\w*|MIC\w*|"
    r"HP(?:OUT)?\w*|LINE(?:IN|OUT)\w*|AUDIO\w*|SPK\w*|TRIM|BIAS|VTUNE|[IR]SET|IREF|RBIAS|REXT|RREF|TOUCH\w*|MBIAS|ATTEN|"
    r"BNC|VDIV|DIV|NR_SS|NR"
)
_CLK = r"(?:\w*CLK\w{0,4}|\w*CLOCK\w{0,2}|\w{0,3}SCK\w?|MCK|BCK|LRCK|TCK\w?|CKI?[PN]?\d?|G?[TR]XCK|TCXO)"
_LANE = (
    r"PCI[EX]?\w*|PE[TR][PN]\w*|LVDS\w*|HDMI\w*|TMDS\w*|MIPI\w*|[CD]SI\d*|SATA\w*|SGMII\w*|MGT\w*|GT[XPHY]\d*|LN\d+|"
    r"SERDES\w*|EDP\w*|SST?X\w*|SSRX\w*|SSTX\w*"
)
# first row whose pattern is found in the words of a name (joined by spaces) wins
_ROWS: tuple[tuple[re.Pattern[str], Family], ...] = tuple(
    (re.compile(rf"\b(?:{pattern})(?![A-Z0-9])"), family)
    for pattern, family in (
        (r"G?MDC", CLOCK.at(2.5e6)),
        (r"G?MDIO", DATA.at(1.25e6)),
        (rf"RGMII.*(?:TXC|RXC|{_CLK})", CLOCK.at(125e6)),
        (rf"RMII.*{_CLK}", CLOCK.at(50e6)),
        (rf"MII\d?.*(?:TXC|RXC|{_CLK})", CLOCK.at(25e6)),
        (r"RGMII\w*", DATA.at(125e6)),
        (r"RMII\w*", DATA.at(25e6)),
        (r"MII\d?", DATA.at(12.5e6)),
        (_SLOW, SLOW),
        (r"\w*(?:RREF|REXT|RBIAS|ISET|VREF)\w*", ANALOG),
        (r"\w*DDC\w*(?:SCL|CLK|SCK|CK)|DDC.*(?:SCL|CLK|SCK|CK)", I2C_CLOCK.at(100e3)),
        (r"\w*DDC\w*|HDMI.*SDA", I2C_DATA.at(50e3)),
        (r"HDMI.*SCL", I2C_CLOCK.at(100e3)),
        (r"\w*(?:R?COMP|TERM[PN])", ANALOG),  # a resistor to measure a termination by
        (r"SCL\d?|SMCLK|(?:I2C|TWI|SMB)\w*.*(?:CLK|SCK)", I2C_CLOCK),
        (r"SDA\d?|SMB\w*|I2C\w*|SMDAT|TWI\w*", I2C_DATA),
        (r"(?:XTAL|OSC|X)32\w*|LFX\w*|RTCX\w*|(?:XTAL|XIN|XOUT|OSC).*32K\w*", CRYSTAL.at(32768.0)),
        (r"CL?K32\w*", CLOCK.at(32768.0)),
        (r"XTAL\w*|XI\d?|XO\d?|XIN\d?|XOUT\d?|HFX\w*|EXTAL", CRYSTAL),
        (rf"(?:{_LANE}).*{_CLK}", LANE_CLOCK),
        (r"MCLK|MCK", CLOCK.at(12.288e6)),
        (r"BCLK|BCK|I2S\w*.*CLK", CLOCK.at(3.072e6)),
        (r"LRCL?K|WS|I2S\w*", DATA.at(1.536e6)),
        (r"TCK\w?|SWD?CLK|JTAG.*CLK", CLOCK.at(10e6)),
        (rf"DDR\w*.*(?:DQS\w*|{_CLK})|\w*DQS\w*", DDR_CLOCK),
        (r"DDR\w*", DDR),
        (rf"S?DRAM\w*.*{_CLK}", MEMORY_CLOCK),
        (rf"(?:SD\w?|SDC\d?|SDIO|E?MMC\w*|QSPI|FLASH|NAND\d?).*{_CLK}", CLOCK.at(50e6)),
        (r"SCK\w?|SPI\w*.*CLK|SCLK\w?", CLOCK.at(10e6)),
        (r"P(?:IX)?CLK\w?|LCD.*CLK|DOTCLK|VCLK", CLOCK.at(33e6)),
        (rf"{_CLK}|OSC\w*", CLOCK),
        (r"USB\w*.*(?:D|DP|DM|DN|P|N)|USBD?[PMN]|USBD", USB),
        (_LANE, LANE),
        (r"CAN[HL]|CAN\d?.*[HL]", CAN),
        (r"\w*485\w*", RS485),
        (r"MDI\w*|TRD\w*|ETH\w*.*[TR]X?D?[PN]", ETHERNET),
        (r"ANT\w*|LNA\w*|BALUN\w*", RADIO),
        (r"SDC\d?|SDIO\d|E?MMC\w*|QSPI|NAND\d?", DATA.at(25e6)),
        (r"MOSI|MISO|COPI|CIPO|SDI\d?|SDO\d?|SDIO|SPI\w*|CS\w{0,2}|NSS", DATA.at(5e6)),
        (_ANALOG, ANALOG),
        (r"U?S?ART\w*|TXD\d?|RXD\d?|TX\d?|RX\d?|RTS\d?|CTS\d?", DATA.at(57.6e3)),
        (r"TDI|TDO|TMS|SWDIO|SWO|SWD", DATA.at(5e6)),
        (r"SS\d?", DATA.at(5e6)),
        (r"\w{0,4}DQM?\d*|S?DRAM\w*", MEMORY),
        (r"RF\w*|GNSS\w*", RADIO),
    )
)
_FREQUENCY = re.compile(r"(?<![0-9.A-Z])(?:[A-Z]*?CLK_?)?(\d+(?:\.\d+)?)(MHZ|KHZ|M|K)(\d{0,3})(?![A-Z0-9])")


@lru_cache(maxsize=1 << 16)
def name_family(name: str, paired: bool = False) -> Family | None:
    """The family that a net's name speaks of, None when it says nothing.

    paired : another net has the name of its differential partner; then TX, RX and clocks are taken for serial lanes
    """
    if says_nothing(name):
        return None
    joined = " ".join(words(name))
    found = next((family for pattern, family in _ROWS if pattern.search(joined)), None)
    if re.search(r"(?:^|[_/])D\d?[+-]$", leaf(name).upper()):
        found = USB
    hint = name_hint(name)
    if found is None and hint.level == AGAINST:
        return ANALOG if re.search(r"SENS|SNS|ADC|DIV|FB|MON|MEAS", joined) else SLOW
    if found is None and hint.kind:  # named like a rail or a level that was not borne out: VREF, VHI
        return ANALOG
    if found is not None and paired:
        if found.kind == "clock" and found.swing is None and found.rise > DDR.rise:
            found = LANE_CLOCK
        elif found == DATA.at(57.6e3):
            found = LANE
    elif found is None and paired:
        found = LVDS
    if found is not None and found.kind == "clock" and (rate := frequency_in(name)) is not None:
        found = found.at(rate)
    return found if found is None or found.name != CRYSTAL.name else replace(found, rise=0.295 / found.rate)


def frequency_in(name: str) -> float | None:
    """A frequency that stands in a net's name, Hz: "CLK_25M", "50MHZ_CLK", "CLK24M576", "32K768".

    >>> frequency_in("CLK_25M"), frequency_in("MCLK_24M576"), frequency_in("CLK1")
    (25000000.0, 24576000.0, None)
    """
    for word in words(name):
        if m := _FREQUENCY.search(word):
            scale = 6 if m[2].startswith("M") else 3
            number = m[1] if "." in m[1] or not m[3] else f"{m[1]}.{m[3]}"
            return float(f"{number}e{scale}")
    return None
