# SPDX-License-Identifier: GPL-3.0-or-later
"""Find sentences that no standard has: most of them are typing errors."""

from __future__ import annotations

from collections.abc import Iterator

from provision.checks.finding import Finding
from provision.onboard.feed.nmea0183.sentence import ENCAPSULATED, STEERS
from provision.profile.load import Boat
from provision.profile.schema.links import FilterConfig, LinkConfig

#: The approved sentence formatters as the NMEA 0183 dissector of Wireshark knows them
#: (epan/dissectors/packet-nmea0183.c, table known_sentence_ids, read in 2026).
DISSECTOR_FORMATTERS = """
AAM ACK ADS AKD ALA ALM APA APB ASD BEC BER BOD BPI BWC BWR BWW CEK COP CUR DBK DBS DBT DCN
DCR DDC DOR DPT DRU DSC DSE DSI DSR DTM ETL EVE FIR FSI GBS GDA GGA GLC GLL GNS GOA GRS GSA GST
GSV GTD GXA HCC HCD HDG HDM HDT HFB HSC HVD HVM IMA ITS LCD MDA MHU MMB MSK MSS MTA MTW MWD MWH
MWS MWV OLN OLW OMP OSD OZN RLM RMA RMB RMC ROT RPM RSA RSD RTE SBK SCD SCY SDB SFI SGD SGR SIU
SLC SNC SNU SPS SSF STC STN STR SYS TDS TEC TEP TFI TGA TIF TLB TLL TPC TPR TPT TRF TRP TRS TTM
VBW VCD VDR VHW VLW VPE VPW VTA VTG VTI VWE VWR VWT WCV WDC WDR WFM WNC WNR WPL XDR XTE XTR YWP
YWS ZAA ZCD ZDA ZDL ZEV ZFO ZLZ ZTG ZZU
"""

#: Formatters that later editions of IEC 61162-1 added, from memory: AIS, alerts, BAM, texts,
#: receivers.
LATER_FORMATTERS = """
ABK ABM ACA ACF ACG ACM ACN ACS AGA AIR AKS ALC ALF ALR ARC BBM DDL DLM EPV GEN GFA GAL HBT
HMR HMS HRM HSS HTC HTD LR1 LR2 LR3 LRF LRI MEB MOB NAK NLS NRM NRX NSR POS PRC ROR RRT
SEL SFL SM1 SM2 SM3 SM4 SMB SMV SPO SPW SSD SSA TBR TBS TFR THS TRC TRD TRL TTD TUT TXT UID VBC
VDM VDO VER VSD VSI WAT
"""

KNOWN_FORMATTERS = frozenset(
    {*DISSECTOR_FORMATTERS.split(), *LATER_FORMATTERS.split(), *STEERS, *ENCAPSULATED}
)


def nearest_formatters(formatter: str) -> list[str]:
    """Return at most three formatters with the same letters, or all but one.

    >>> nearest_formatters("RCM"), nearest_formatters("FOO")
    (['RMC'], [])
    """
    turned = [name for name in sorted(KNOWN_FORMATTERS) if sorted(name) == sorted(formatter)]
    return (
        turned or [name for name in sorted(KNOWN_FORMATTERS) if _count_slips(name, formatter) == 1]
    )[:3]


def _count_slips(one: str, two: str) -> int:
    """Count the letters that differ."""
    return sum(a != b for a, b in zip(one, two, strict=True))


def check(boat: Boat) -> Iterator[Finding]:
    """Warn once of each formatter that no standard has. Proprietary addresses pass."""
    found: dict[str, str] = {}
    for key, formatter in _named(boat):
        if len(formatter) == len("RMC") and formatter not in KNOWN_FORMATTERS:
            found.setdefault(formatter, key)
    for formatter, key in found.items():
        near = nearest_formatters(formatter)
        meant = f"did you mean {' or '.join(near)}? " if near else ""
        yield Finding(
            "warning",
            f"unknown-sentence.{formatter}",
            f"no standard has a sentence {formatter}: nothing may ever come under that name",
            boat.location(key),
            f"{meant}A maker's own begins with P, such as PXYZ1; if the instrument's manual says "
            f"{formatter}, write that under accepted, as unknown-sentence.{formatter}: REASON",
        )


def _named(boat: Boat) -> Iterator[tuple[str, str]]:
    """Yield each formatter that the profile names, with the location of its key."""
    profile = boat.profile
    for name, link in profile.serial_links.items():
        for way in ("talks", "listens"):
            yield from _listed(boat, f"links.{name}.{way}", getattr(link, way))
    for name, source in profile.inputs.items():
        yield from _listed(boat, f"inputs.{name}.talks", source.talks)
    sources = [(f"links.{name}", link) for name, link in profile.links.items()]
    for key, any_source in [*sources, *((f"inputs.{n}", s) for n, s in profile.inputs.items())]:
        yield from _filtered(f"{key}.takes", any_source.takes)
        if isinstance(any_source, LinkConfig):
            yield from _filtered(f"{key}.gives", any_source.gives)
    for output, passes in profile.feed.gives.items():
        yield from _filtered(f"feed.gives.{output}", passes)


def _listed(boat: Boat, key: str, sentences: dict[str, float]) -> Iterator[tuple[str, str]]:
    """Yield the sentences of a list or a mapping. A list's entries have numbers for keys."""
    for number, formatter in enumerate(sentences):
        mapped = f"{key}.{formatter}"
        yield (mapped if mapped in boat.locations else f"{key}[{number}]"), formatter


def _filtered(key: str, passes: FilterConfig | None) -> Iterator[tuple[str, str]]:
    for way in ("only", "but"):
        for number, pattern in enumerate((getattr(passes, way) or []) if passes else []):
            if pattern.formatter:
                yield f"{key}.{way}[{number}]", pattern.formatter
