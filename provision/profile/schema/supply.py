# SPDX-License-Identifier: GPL-3.0-or-later
"""Define how a boat's computer gets its electricity. Only `check` reads it."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from provision.profile.schema.base import Model

#: Temperature in degC at which conductors' ratings are given (33 CFR 183.425), and ABYC E-11 counts
#: the voltage lost in them.
REFERENCE_CELSIUS = 30.0

Watts = Annotated[float, Field(ge=0.1, le=1000)]
Volts = Annotated[float, Field(ge=1, le=60)]
Amps = Annotated[float, Field(ge=0.1, le=500)]


class CableConfig(Model):
    """A pair of copper conductors, there and back."""

    metres: Annotated[float, Field(ge=0.05, le=100)]
    """Its length one way. The current goes there and back."""
    mm2: Annotated[float, Field(ge=0.05, le=150)]
    """The area of one conductor, as the cable's print says. 16 AWG is 1.31, 14 AWG is 2.08."""
    celsius: Annotated[float, Field(ge=-40, le=100)] = REFERENCE_CELSIUS
    """The temperature around it. An engine space counts as 50."""
    insulation: Literal[70, 105] = 70
    """The degC that its insulation bears: 70 for ordinary cable, 105 where its print says so."""


class ConverterConfig(Model):
    """The converter from the boat's voltage to the computer's."""

    efficiency: Annotated[float, Field(ge=0.3, le=1)]
    """The share that it passes on, such as 0.88. 1 where the computer takes the boat's voltage."""
    volts: Volts | None = None
    """What it gives. Without the key, what the board takes."""
    amps: Amps | None = None
    """What it can give all the time."""


class BatteryConfig(Model):
    """The battery that the computer is on."""

    ah: Annotated[float, Field(ge=1, le=10000)]
    """Its capacity in ampere-hours."""
    usable: Annotated[float, Field(ge=0.05, le=1)] = 0.5
    """The share that may be taken out of it: 0.5 of lead and acid is common practice."""


class FuseConfig(Model):
    """The fuse or breaker where the cable starts."""

    amps: Amps


class SupplyConfig(Model):
    """The way from the boat's battery to the computer. `check` calculates with it."""

    volts: Literal[12, 24]
    """The boat's nominal voltage."""
    watts: Watts | None = None
    """What the computer draws with all that its sockets feed, as measured over a day.

    Without the key, the board's usual current and the largest of what is plugged in.
    """
    peak_watts: Watts | None = None
    """The most that it draws: volts times amps on the label of its own power supply."""
    lowest_volts: Volts | None = None
    """The lowest voltage that the computer takes, if the board has no such value."""
    converter: ConverterConfig | None = None
    cable: CableConfig | None = None
    """From the boat's fuse to the converter."""
    lead: CableConfig | None = None
    """From the converter to the computer."""
    battery: BatteryConfig | None = None
    fuse: FuseConfig | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.watts and self.peak_watts and self.peak_watts < self.watts:
            raise ValueError("peak_watts is at least as much as watts")
        return self
