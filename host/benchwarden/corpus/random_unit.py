"""Which invented amplifier does a seed stand for?"""

from __future__ import annotations

import random

from benchwarden.core.unit import Unit


def random_unit(rng: random.Random) -> Unit:
    """Return an invented amplifier: +-30 to 70 V, 20 to 150 W, one to three pairs, both packages."""
    rail = rng.uniform(30.0, 70.0)
    load = rng.choice((4.0, 8.0, 8.0))
    power = min(max(rng.uniform(0.55, 0.8) * rail**2 / (2.0 * load), 20.0), 150.0)
    emitter = rng.choice((0.1, 0.22, 0.22, 0.33, 0.47))
    pairs = 1 if power < 70.0 else rng.choice((1, 2, 3))
    # 25 to 120 mA a pair is what sets of this class idle at (common practice, no source).
    target = min(max(rng.uniform(0.025, 0.12) * emitter * 1e3, 3.0), 30.0)
    return Unit(
        rated_power_w=round(power),
        load_ohm=load,
        rail_nominal_v=round(rail, 1),
        emitter_resistor_ohm=emitter,
        output_pairs=pairs,
        target_bias_drop_mv=round(target, 1),
        limiter_lamp_w=rng.choice((60.0, 100.0, 150.0)),
        package=rng.choice(("metal-can", "plastic")),
        reservoir_uf=rng.choice((4700.0, 6800.0, 10000.0, 15000.0)),
        shunt_position=rng.choice(("rail-fuse", "rail-fuse", "rail-fuse", "before-reservoir")),
        load_connected=True,
        run_type="burn-in",
    )
