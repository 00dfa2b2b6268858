"""What loads draw while they start, in which order they can be switched on, and what to leave off.

Motors draw several times their running current until they turn. All of this is arithmetic for a talk with
a licensed electrician. Read next: ``evaluation.fit_check``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.site.loads import Load, Motor

KVA_PER_HP = {
    "A": 0.0, "B": 3.15, "C": 3.55, "D": 4.0, "E": 4.5, "F": 5.0, "G": 5.6, "H": 6.3, "J": 7.1,
    "K": 8.0, "L": 9.0, "M": 10.0, "N": 11.2, "P": 12.5, "R": 14.0, "S": 16.0, "T": 18.0, "U": 20.0,
    "V": 22.4,
}  # fmt: skip
"""Locked-rotor kVA per hp at which each code letter begins; a letter holds its lower bound.

NEMA MG 1-10.37.2, also NEC table 430.7(B). The last letter has no upper end.
"""

LAST_LETTER_KVA_PER_HP = 25.0
"""What is taken for the letter V, which begins at 22.4 and ends nowhere (no published source)."""


def code_letter(kva_per_hp: float) -> str:
    """Return the code letter of a locked-rotor kVA per hp."""
    letters, begins = list(KVA_PER_HP), list(KVA_PER_HP.values())
    return letters[int(np.searchsorted(begins, kva_per_hp + 1e-12, side="right")) - 1]


def most_kva_per_hp(letter: str) -> float:
    """Return the end of a code letter's range. [kVA/hp]"""
    letters = list(KVA_PER_HP)
    place = letters.index(letter) + 1
    return LAST_LETTER_KVA_PER_HP if place == len(letters) else KVA_PER_HP[letters[place]]


def kva_per_hp(volts: float, amps: float, hp: float, phases: int) -> float:
    """Return locked-rotor kVA per hp: V · I · k ÷ (1000 · hp), k = 1 or √3. [kVA/hp]"""
    return volts * amps * _phase_factor(phases) / (1000 * hp)


def locked_rotor_a(kva: float, volts: float, phases: int) -> float:
    """Return the current of an apparent power. [A]"""
    return 1000 * kva / (volts * _phase_factor(phases))


def _phase_factor(phases: int) -> float:
    return float(np.sqrt(3)) if phases == 3 else 1.0


def starting_va(motor: Motor) -> float:
    """Return what a motor draws while it starts, by its plate; of a letter the end of its range. [VA]"""
    if motor.locked_rotor_a is not None:
        return motor.volts * motor.locked_rotor_a * _phase_factor(motor.phases)
    assert motor.code_letter is not None
    return 1000 * motor.hp * most_kva_per_hp(motor.code_letter)


def start_w(load: Load) -> float:
    """Return what a load draws while it starts. [W or VA]"""
    if load.motor is not None:
        return max(starting_va(load.motor), load.running_w)
    return load.running_w * (load.starting_factor or 1.0)


def all_at_once_w(loads: Sequence[Load]) -> float:
    """Return what all loads draw if they start together: the plain sum. [W]"""
    return sum(start_w(load) for load in loads)


def one_after_another_w(loads: Sequence[Load]) -> float:
    """Return the running power of all and the largest start beyond it: the rule of generator manuals. [W]"""
    running = sum(load.running_w for load in loads)
    return running + max((start_w(load) - load.running_w for load in loads), default=0.0)


ALWAYS_PCT = 100.0
"""Duty of a load that runs all the time, and so starts once."""


@dataclass(frozen=True)
class SwitchedOn:
    """A load switched on: what all draw while it starts. [W]"""

    load: Load
    while_starting_w: float


def switching_order(loads: Sequence[Load]) -> list[SwitchedOn]:
    """Return loads in the order in which the highest power while switching on is least.

    The one whose start goes most beyond its running comes first, while little else runs. (Exchanging two
    neighbours that stand otherwise never lowers the higher of their two peaks.)
    """
    ordered = sorted(loads, key=lambda load: load.running_w - start_w(load))
    running, steps = 0.0, []
    for load in ordered:
        starting = running + start_w(load)
        running += load.running_w
        steps.append(SwitchedOn(load, starting))
    return steps


def left_off(
    loads: Sequence[Load], continuous_w: float, surge_w: float
) -> tuple[list[Load], list[Load]]:
    """Return which loads can run together in an outage, and which are to be left off.

    Critical ones are taken first, then the smallest; each must fit beside those taken, running, and
    starting in the best order; what does not run all the time must also start anew while all run.
    """
    kept, left = list[Load](), list[Load]()
    for load in sorted(loads, key=lambda load: (not load.critical, load.running_w)):
        tried = [*kept, load]
        running = sum(each.running_w for each in tried)
        highest = max(step.while_starting_w for step in switching_order(tried))
        for each in tried:
            if each.duty_pct < ALWAYS_PCT:
                highest = max(highest, running - each.running_w + start_w(each))
        if running <= continuous_w and highest <= surge_w:
            kept = tried
        else:
            left.append(load)
    return kept, left


def on_leg_w(loads: Sequence[Load], leg: str) -> tuple[float, float]:
    """Return what runs on a leg, and the most while the loads start one after another. [W]

    A load on both legs counts half on each.
    """
    shares = [(load, 0.5 if load.leg == "both" else float(load.leg == leg)) for load in loads]
    running = sum(share * load.running_w for load, share in shares)
    beyond = max((share * (start_w(load) - load.running_w) for load, share in shares), default=0.0)
    return running, running + beyond
