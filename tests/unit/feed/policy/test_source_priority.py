# SPDX-License-Identifier: GPL-3.0-or-later
from collections.abc import Callable

import pytest

from provision.onboard.feed.config.models import PreferOptions
from provision.onboard.feed.nmea0183.kinds import KINDS
from provision.onboard.feed.nmea0183.sentence import make
from provision.onboard.feed.policy.source_priority import SourcePriority, says_something

RMC = "$GPRMC,{:06d},A,5057.970,N,00146.110,E,5.0,089.0,251126,,,A"
VOID = "$GPRMC,{:06d},V,,,,,,,251126,,,N"


def priority(silence: float = 5, steady: float = 10, **order: tuple[str, ...]) -> SourcePriority:
    return SourcePriority(PreferOptions(order or {"position": ("gnss", "spare")}, silence, steady))


def passes(believing: SourcePriority, origin: str, at: float, body: str = RMC) -> bool:
    sentence = make(body.format(int(at)), origin=origin, heard=at)
    kind = believing.kind(sentence.formatter)
    return kind is None or believing.passes(kind, sentence)


def heard(
    believing: SourcePriority, seconds: range, says: Callable[[str, int], bool]
) -> list[tuple[int, str]]:
    """Second and origin of all that passes when each source speaks once a second."""
    return [
        (second, origin)
        for second in seconds
        for index, origin in enumerate(("gnss", "spare"))
        if says(origin, second) and passes(believing, origin, second + index / 10)
    ]


def test_the_preferred_source_passes_alone() -> None:
    passed = heard(priority(), range(20), lambda *_: True)
    assert passed == [(second, "gnss") for second in range(20)]


def test_on_silence_the_next_takes_over_once_and_without_doubling() -> None:
    passed = heard(priority(), range(20), lambda origin, s: origin == "spare" or s < 10)
    assert passed == [(s, "gnss") for s in range(10)] + [(s, "spare") for s in range(14, 20)]


def test_a_lost_one_comes_back_only_after_being_steady() -> None:
    # Lost at 10, back for three seconds at 20, and for good at 30.
    passed = heard(
        priority(),
        range(60),
        lambda origin, s: origin == "spare" or s < 10 or 20 <= s < 23 or s >= 30,
    )
    assert [s for s, origin in passed if origin == "gnss"] == [*range(10), *range(40, 60)]
    assert [s for s, origin in passed if origin == "spare"] == list(range(14, 40))


def test_at_the_start_the_preferred_one_need_not_prove_itself() -> None:
    passed = heard(priority(), range(10), lambda origin, s: origin == "spare" or s >= 3)
    assert [s for s, origin in passed if origin == "spare"] == [0, 1, 2]
    assert [s for s, origin in passed if origin == "gnss"] == list(range(3, 10))


@pytest.mark.parametrize("ahead", [-0.4, -0.15, 0.15, 0.4])
def test_taking_over_says_nothing_twice_and_leaves_nothing_out(ahead: float) -> None:
    """Both receivers have a fix each second; one of them is `ahead` by so many seconds."""
    believing = priority(steady=3)
    spoken = sorted(
        (second + (0 if origin == "gnss" else ahead), second, origin)
        for origin in ("gnss", "spare")
        for second in range(10, 60)
        if (second > 10 if origin == "spare" else not 20 <= second < 30)
    )
    burst = RMC, "$GPVTG,089.0,T,,,15.2,N,,", "$GPGLL,5057.970,N,00146.110,E,{:06d},A"
    passed = [
        second
        for at, second, origin in spoken
        for index, body in enumerate(burst)
        if passes(believing, origin, at + index / 20, body.replace("{:06d}", f"{second}"))
    ]
    assert believing.as_json(60.0)["position"]["source"] == "gnss"
    back = 25 if ahead < 0 else 24  # more than five seconds after the last of 19
    assert passed == [second for second in (*range(10, 20), *range(back, 60)) for _ in burst]


def test_a_change_after_a_long_silence_delays_nobody_later() -> None:
    """The first is out for long; the second says a single fix before the first is back."""
    believing = priority(steady=0)
    passed = [
        (second, origin)
        for second, origin in (
            *((second, "gnss") for second in range(3)),
            (20, "spare"),
            *((second, "gnss") for second in range(21, 26)),
        )
        if passes(believing, origin, second)
    ]
    assert passed == [(s, "gnss") for s in range(3)] + [(20, "spare")] + [
        (s, "gnss") for s in range(21, 26)
    ]


def test_two_changes_within_a_second_say_nothing_twice() -> None:
    """Both receivers were out for as long; the second is steady a moment before the first."""
    believing = priority(silence=4, steady=6, position=("gnss", "spare", "network"))
    passed = [
        (second, origin)
        for second in range(40)
        for after, origin in ((0, "network"), (0.6, "spare"), (0.8, "gnss"))
        if origin == "network" or not 10 <= second < 20
        if passes(believing, origin, second + after)
    ]
    assert believing.as_json(40.0)["position"]["source"] == "gnss"
    receivers = [second for second, origin in passed if origin != "network" and second >= 20]
    assert receivers == list(range(26, 40))


def test_a_void_fix_is_silence() -> None:
    believing = priority()
    passed = []
    for second in range(20):
        if passes(believing, "gnss", second, RMC if second < 10 else VOID):
            passed.append((second, "gnss"))
        if passes(believing, "spare", second + 0.1):
            passed.append((second, "spare"))
    # The void ones still pass while nobody has taken over.
    assert passed == [(s, "gnss") for s in range(15)] + [(s, "spare") for s in range(14, 20)]


def test_sources_that_the_order_does_not_name_come_last() -> None:
    believing = priority()
    assert passes(believing, "tablet", 0)
    assert passes(believing, "spare", 1)
    assert not passes(believing, "tablet", 2)
    assert passes(believing, "gnss", 3)
    assert not passes(believing, "spare", 4)
    # Both named ones fall silent.
    assert passes(believing, "tablet", 20)


def test_kinds_are_judged_apart() -> None:
    believing = priority(position=("gnss", "spare"), depth=("spare", "gnss"))
    for second in range(3):
        assert passes(believing, "gnss", second)
        assert passes(believing, "spare", second, "$SDDPT,5.2,0.5")
        assert not passes(believing, "spare", second + 0.1)
        assert not passes(believing, "gnss", second + 0.1, "$SDDPT,5.2,0.5")
    told = believing.as_json(10.0)
    assert told["position"] == {"source": "gnss", "since": 10.0}
    assert told["depth"] == {"source": "spare", "since": 10.0}


def test_without_an_order_and_of_targets_all_pass() -> None:
    believing = priority()
    for origin in ("gnss", "spare", "other"):
        assert passes(believing, origin, 1, "$HCHDG,101.1,,,7.1,W")
        assert passes(believing, origin, 1, "!AIVDM,1,1,,B,177KQJ5000G?tO`K>RA1wUbN0TKH,0")


def test_satellites_in_view_pass_with_their_fix_and_are_no_sign_of_one() -> None:
    believing = priority()
    assert passes(believing, "gnss", 0)
    for second in range(1, 9):
        assert passes(believing, "gnss", second, "$GPGSV,1,1,01,05,10,100,40")
        assert not passes(believing, "spare", second, "$GPGSV,1,1,01,05,10,100,40")
    assert passes(believing, "spare", 9)


@pytest.mark.parametrize(
    ("body", "valid"),
    [
        ("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", True),
        ("$GPRMC,123519,V,,,,,,,230394,,", False),
        ("$GPGLL,5057.970,N,00146.110,E,142451,A", True),
        ("$GPGLL,5057.970,N,00146.110,E", True),
        ("$GPGLL,,,,,142451,V", False),
        ("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", True),
        ("$GPGGA,123519,,,,,0,00,,,M,,M,,", False),
        ("$GNGNS,123519,4807.038,N,01131.000,E,AN,08,0.9,545.4,46.9,,", True),
        ("$GNGNS,123519,,,,,NN,00,,,,,", False),
        ("$SDDPT,5.2,0.5", True),
        ("$SDDPT,,", False),
        ("$SDDBT,,f,5.2,M,,F", True),
        ("$SDDBT,,f,,M,,F", False),
        ("$WIMWV,045.0,R,12.0,N,A", True),
        ("$WIMWV,,R,,N,V", False),
        ("$VWVHW,,T,,M,5.1,N,,K", True),
        ("$VWVHW,,T,,M,,N,,K", False),
        ("$HCHDG,101.1,,,7.1,W", True),
        ("$HCHDG,,,,7.1,W", False),
        ("$GPVTG,089.0,T,,,15.2,N,,", False),
    ],
)
def test_what_says_something(body: str, valid: bool) -> None:
    assert says_something(make(body, origin="x", heard=0)) is valid


def test_no_formatter_is_of_two_kinds_and_targets_are_of_none() -> None:
    every = [formatter for formatters in KINDS.values() for formatter in formatters]
    assert len(every) == len(set(every))
    assert not {"VDM", "VDO", "TTM", "APB", "RMB"} & set(every)
