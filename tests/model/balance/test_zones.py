"""Rooms coupled by air, against a two-room closed form in print, a general integrator and the single house."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from motemodel.balance import (
    AirHandler,
    Cleaner,
    FlowPattern,
    Inputs,
    ZoneInputs,
    ledger,
    solve,
    solve_zones,
    zone_ledger,
)

FloatArray = NDArray[np.float64]


def balanced(rng: np.random.Generator, rooms: int, scale: float = 100.0, handlers: int = 1) -> FlowPattern:
    """Flows drawn at random that balance in each room: rings of air between rooms, and air through each one."""
    between = np.zeros((rooms, rooms))
    for _ in range(3 if rooms > 1 else 0):
        ring = rng.permutation(rooms)[: rng.integers(2, rooms + 1)]
        between[ring, np.roll(ring, 1)] += scale * rng.uniform()
    through = scale * rng.uniform(0.0, 1.0, rooms)
    infiltration = through * rng.uniform(0.0, 1.0, rooms)
    drawn = scale * rng.uniform(1.0, 5.0, (handlers, rooms))
    return FlowPattern(
        infiltration_m3h=infiltration,
        intake_m3h=through - infiltration,
        outflow_m3h=through,
        between_m3h=between,
        handlers=tuple(AirHandler(f"fan {n}", air, air, (0.3, 0.8)) for n, air in enumerate(drawn)),
    )


def a_house(seed: int = 3, steps: int = 10, rooms: int = 3, **changed: Any) -> ZoneInputs:
    """Rooms with two ways of air between them, two size bins, steps of two lengths."""
    rng = np.random.default_rng(seed)
    house = ZoneInputs(
        rooms=tuple(f"room {number}" for number in range(rooms)),
        volumes_m3=rng.uniform(20.0, 200.0, rooms),
        step_h=rng.choice([0.1, 0.5], steps),
        outdoor_ug_m3=rng.uniform(0.0, 50.0, (2, steps)),
        patterns=(balanced(rng, rooms), balanced(rng, rooms, handlers=2)),
        pattern=rng.integers(0, 2, steps),
        penetration=(0.6, 0.9),
        deposition_per_h=(0.1, 0.8),
        emission_ug_h=rng.choice([0.0, 3e3], (rooms, 2, steps)),
        intake_efficiency=(0.2, 0.5),
    )
    return replace(house, **changed)


def integrated(inputs: ZoneInputs, start: float) -> tuple[FloatArray, FloatArray]:
    """Ends and means (R, B, T) by a general integrator, room by room from the equation as it is written."""
    rooms, volumes = range(len(inputs.rooms)), np.asarray(inputs.volumes_m3)
    step_h, which = np.broadcast_to(inputs.step_h, inputs.steps), np.broadcast_to(inputs.pattern, inputs.steps)
    penetration, deposition, stopped = (
        np.asarray(values) for values in (inputs.penetration, inputs.deposition_per_h, inputs.intake_efficiency)
    )
    end, mean = np.empty((2, len(rooms), inputs.bins, inputs.steps))
    for size_bin in range(inputs.bins):
        level = np.full(len(rooms), start)
        for step in range(inputs.steps):
            flow = inputs.patterns[which[step]]
            between = np.asarray(flow.between_m3h)

            def change(_: float, state: FloatArray, b: int = size_bin, n: int = step, flow: FlowPattern = flow,
                       between: FloatArray = between) -> FloatArray:  # fmt: skip
                c = state[: len(rooms)]
                rate = np.empty(len(rooms))
                for i in rooms:
                    outdoor = inputs.outdoor_ug_m3[b, n]
                    gain = penetration[b] * flow.infiltration_m3h[i] * outdoor  # type: ignore[index]
                    gain += (1.0 - stopped[b]) * flow.intake_m3h[i] * outdoor  # type: ignore[index]
                    gain += inputs.emission_ug_h[i, b, n]  # type: ignore[index, call-overload]
                    gain += sum(between[j, i] * c[j] for j in rooms)
                    lost = flow.outflow_m3h[i] + between[i].sum() + deposition[b] * volumes[i]  # type: ignore[index]
                    for fan in flow.handlers:
                        drawn = np.asarray(fan.return_m3h)
                        passing = 1.0 - fan.efficiency[b]  # type: ignore[index]
                        gain += fan.supply_m3h[i] * passing * (drawn @ c) / drawn.sum()  # type: ignore[index]
                        lost += drawn[i]
                    rate[i] = (gain - lost * c[i]) / volumes[i]
                return np.concatenate((rate, c))

            begin = np.concatenate((level, np.zeros(len(rooms))))
            answer = solve_ivp(change, (0.0, step_h[step]), begin, method="DOP853", rtol=1e-12, atol=1e-12)
            level = answer.y[: len(rooms), -1]
            end[:, size_bin, step] = level
            mean[:, size_bin, step] = answer.y[len(rooms) :, -1] / step_h[step]
    return end, mean


def test_rooms_agree_with_a_general_integrator() -> None:
    house = a_house(steps=5)
    series = solve_zones(house, 30.0)
    end, mean = integrated(house, 30.0)
    assert np.abs(series.end / end - 1.0).max() < 1e-8
    assert np.abs(series.mean / mean - 1.0).max() < 1e-8


@pytest.mark.parametrize("exchange_m3h", [0.5, 30.0, 1200.0, 1e5])
def test_near_field_and_far_field_of_a_source(exchange_m3h: float) -> None:
    # Nicas (1996), Am. Ind. Hyg. Assoc. J. 57: 542-550, the two-zone model in closed form, from memory: a source G in a
    # small zone about it, air beta to and from the room around, ventilated by Q.
    near, far, air, source, beta = 1.0, 240.0, 600.0, 5e4, exchange_m3h
    half_sum = -(beta * far + near * (beta + air)) / (near * far)
    root = np.sqrt(half_sum**2 - 4.0 * beta * air / (near * far))
    slow, fast = 0.5 * (half_sum + root), 0.5 * (half_sum - root)
    hours = np.arange(1, 9) * 0.05
    share = beta * air * near * (slow - fast)
    of_slow = source * (beta * air + fast * near * (beta + air)) / share * np.exp(slow * hours)
    of_fast = source * (beta * air + slow * near * (beta + air)) / share * np.exp(fast * hours)
    expected_near = source / air + source / beta + of_slow - of_fast
    expected_far = source / air + (slow * near + beta) / beta * of_slow - (fast * near + beta) / beta * of_fast
    house = ZoneInputs(
        ("near", "far"),
        (near, far),
        0.05,
        np.zeros((1, 8)),
        (FlowPattern((0.0, air), (0.0, air), between_m3h=((0.0, beta), (beta, 0.0))),),
        emission_ug_h=((source,), (0.0,)),
    )
    series = solve_zones(house, 0.0)
    assert series.end[0, 0] == pytest.approx(expected_near, rel=1e-9)
    assert series.end[1, 0] == pytest.approx(expected_far, rel=1e-9)


def test_two_closed_rooms_share_their_particles_at_the_rate_of_both_exchanges() -> None:
    # Closed form: the difference falls with q/V1 + q/V2, what both hold stays.
    house = ZoneInputs(
        ("den", "hall"), (30.0, 90.0), 0.2, np.zeros((1, 20)),
        (FlowPattern(0.0, 0.0, between_m3h=((0.0, 45.0), (45.0, 0.0))),),
    )  # fmt: skip
    den, hall = solve_zones(house, ((80.0,), (0.0,))).end[:, 0]
    assert 30.0 * den + 90.0 * hall == pytest.approx(np.full(20, 2400.0), rel=1e-12)
    assert den - hall == pytest.approx(80.0 * np.exp(-2.0 * 0.2 * np.arange(1, 21)), rel=1e-11)


def a_central_system(**changed: Any) -> ZoneInputs:
    """The fan draws from the hall alone and gives to two rooms, unequally; the air comes back under their doors."""
    air, shares = 900.0, np.array([0.0, 0.3, 0.7])
    back = np.zeros((3, 3))
    back[:, 0] = air * shares
    fan = AirHandler("central", (air, 0.0, 0.0), air * shares, (0.4, 0.9))
    flow = FlowPattern(0.0, 0.0, between_m3h=back, handlers=(fan,), intake_m3h=np.zeros(3))
    source = np.zeros((3, 2, 6))
    source[0] = 7200.0
    house = ZoneInputs(
        ("hall", "den", "bedroom"), (60.0, 30.0, 45.0), 0.05, np.zeros((2, 6)), (flow,), emission_ug_h=source
    )
    return replace(house, **changed)


def test_rooms_fed_from_a_filter_hold_what_it_lets_through_of_the_hall() -> None:
    # Closed form of the steady balance: the filter takes the whole source, S = Q eta C_hall; C_room = (1 - eta) C_hall.
    house = a_central_system(step_h=1e4)
    series = solve_zones(house, 5.0)
    account, end = zone_ledger(house, series, range(6)), series.end[..., -1]
    efficiency = np.array([0.4, 0.9])
    hall = 7200.0 / (900.0 * efficiency)
    assert end[0] == pytest.approx(hall, rel=1e-9)
    assert end[1] == pytest.approx(hall * (1.0 - efficiency), rel=1e-9)
    assert end[2] == pytest.approx(end[1], rel=1e-9)
    assert account.filtered[-1, 0] == pytest.approx(account.generated[-1], rel=1e-9)


def test_a_central_system_agrees_with_a_general_integrator_on_its_way_there() -> None:
    house = a_central_system(penetration=(0.6, 0.9), deposition_per_h=(0.1, 0.8), intake_efficiency=(0.2, 0.5))
    house = replace(house, patterns=(replace(house.patterns[0], infiltration_m3h=(9.0,) * 3, outflow_m3h=(9.0,) * 3),))
    end, mean = integrated(house, 30.0)
    series = solve_zones(house, 30.0)
    assert np.abs(series.end / end - 1.0).max() < 1e-8
    assert np.abs(series.mean / mean - 1.0).max() < 1e-8


@pytest.mark.parametrize("loss_per_h", [0.0, 1e-9, 0.7, 1e2, 1e4])
@pytest.mark.parametrize("step_h", [1 / 3600, 1 / 60, 1.0, 24.0])
def test_one_room_is_the_single_house(loss_per_h: float, step_h: float) -> None:
    outdoor = np.array([[0.0, 40.0, 5.0], [1.0, 0.0, 9.0]])
    shared = {"penetration": (0.5, 0.9), "deposition_per_h": (0.0, 0.2), "intake_efficiency": 0.4}
    air = {"infiltration_m3h": 60.0 * loss_per_h, "intake_m3h": 40.0 * loss_per_h}
    flow = FlowPattern(**air, outflow_m3h=100.0 * loss_per_h, handlers=(AirHandler("fan", [9.0], [9.0], (0.1, 0.9)),))
    room = ZoneInputs(("all",), (100.0,), step_h, outdoor, (flow,), emission_ug_h=30.0, **shared)
    house = Inputs(
        100.0, step_h, outdoor, **air, emission_ug_h=30.0, cleaners=(Cleaner("fan", 9.0, (0.1, 0.9)),), **shared
    )
    of_room, of_house = solve_zones(room, 7.0), solve(house, 7.0)
    assert np.allclose(of_room.end[0], of_house.end, rtol=1e-12, atol=1e-14)
    assert np.allclose(of_room.mean[0], of_house.mean, rtol=1e-12, atol=1e-14)
    by_room, by_house = zone_ledger(room, of_room, (0, 1)), ledger(house, of_house, (0, 1))
    for mass in ("opening", "entered", "generated", "filtered", "settled", "carried_out"):
        assert np.allclose(getattr(by_room, mass), getattr(by_house, mass), rtol=1e-11, atol=1e-15), mass
    assert by_room.devices == by_house.devices == ("fan",)


def test_rooms_that_mix_ever_faster_become_one_house() -> None:
    volumes = np.array([30.0, 50.0, 120.0])
    outdoor = np.full((1, 6), 20.0)
    house = solve(Inputs(200.0, 0.5, outdoor, 100.0, deposition_per_h=0.3, emission_ug_h=900.0), 4.0).end[0]
    apart = []
    for mixing in (1e3, 1e4, 1e5):
        flow = FlowPattern((100.0, 0.0, 0.0), (100.0, 0.0, 0.0), between_m3h=mixing * (1.0 - np.eye(3)))
        rooms = ZoneInputs(("a", "b", "c"), volumes, 0.5, outdoor, (flow,), 0, 1.0, 0.3, ((0.0,), (900.0,), (0.0,)))
        apart.append(np.abs(solve_zones(rooms, 4.0).end[:, 0] - house).max())
    assert apart[0] < 1.0
    assert apart[1] < apart[0] / 8 and apart[2] < apart[1] / 8


@settings(max_examples=25)
@given(st.integers(0, 10_000), st.integers(1, 5), st.integers(1, 12))
def test_the_account_of_any_rooms_closes_in_every_bin_and_span(seed: int, rooms: int, steps: int) -> None:
    house = a_house(seed, steps, rooms)
    series = solve_zones(house, 12.0)
    assert (series.end >= 0.0).all() and (series.mean >= 0.0).all()
    assert zone_ledger(house, series).closure < 1e-9
    assert zone_ledger(house, series, range(steps)).closure < 1e-9


@settings(max_examples=15)
@given(st.integers(0, 10_000), st.integers(1, 4))
def test_halving_the_steps_of_rooms_changes_nothing(seed: int, rooms: int) -> None:
    house = a_house(seed, 6, rooms)
    twice = {
        "step_h": np.repeat(np.asarray(house.step_h) / 2.0, 2),
        "outdoor_ug_m3": np.repeat(house.outdoor_ug_m3, 2, axis=1),
        "pattern": np.repeat(house.pattern, 2),
        "emission_ug_h": np.repeat(house.emission_ug_h, 2, axis=2),
    }
    whole, halves = solve_zones(house, 5.0), solve_zones(replace(house, **twice), 5.0)
    assert np.allclose(halves.end[..., 1::2], whole.end, rtol=1e-10)
    assert np.allclose((halves.mean[..., ::2] + halves.mean[..., 1::2]) / 2.0, whole.mean, rtol=1e-10)


def test_sources_in_rooms_add_up() -> None:
    house = a_house()
    alone = replace(house, outdoor_ug_m3=np.zeros_like(house.outdoor_ug_m3))
    outdoors = replace(house, emission_ug_h=0.0)
    together = solve_zones(house, 9.0).end
    assert np.allclose(solve_zones(alone, 4.0).end + solve_zones(outdoors, 5.0).end, together, rtol=1e-11)


def test_blocks_of_a_long_series_join_without_a_seam() -> None:
    steps = 6000
    house = a_house(steps=steps)
    joined = solve_zones(house, 5.0).end
    first = {name: np.asarray(getattr(house, name))[..., :3000] for name in ("step_h", "outdoor_ug_m3", "pattern")}
    second = {name: np.asarray(getattr(house, name))[..., 3000:] for name in ("step_h", "outdoor_ug_m3", "pattern")}
    emission = np.asarray(house.emission_ug_h)
    begun = solve_zones(replace(house, **first, emission_ug_h=emission[..., :3000]), 5.0).end
    ended = solve_zones(replace(house, **second, emission_ug_h=emission[..., 3000:]), begun[..., -1]).end
    assert np.allclose(np.concatenate((begun, ended), axis=-1), joined, rtol=1e-12)


GOOD = FlowPattern((50.0, 0.0), (50.0, 0.0), between_m3h=((0.0, 20.0), (20.0, 0.0)))


@pytest.mark.parametrize(
    ("flow", "message"),
    [
        (
            replace(GOOD, between_m3h=((0.0, 30.0), (20.0, 0.0))),
            "pattern 0: room den takes in 70 m3/h of air and gives off 80; make them equal",
        ),
        (replace(GOOD, outflow_m3h=(50.0, 1.0)), "pattern 0: room hall takes in 20 m3/h of air and gives off 21"),
        (replace(GOOD, between_m3h=((5.0, 20.0), (20.0, 0.0))), "between_m3h: room den gives 5 m3/h to itself"),
        (replace(GOOD, between_m3h=((0.0, -1.0), (-1.0, 0.0))), "pattern 0: between_m3h: .*-1.* is below zero"),
        (replace(GOOD, infiltration_m3h=(50.0,)), r"pattern 0: infiltration_m3h: shape \(1,\); give one number or"),
        (
            replace(GOOD, handlers=(AirHandler("fan", (40.0, 0.0), (0.0, 39.0), 0.5),)),
            "handler fan draws 40 m3/h and gives 39; make them equal",
        ),
        (
            replace(GOOD, handlers=(AirHandler("fan", (40.0, 0.0), (0.0, 40.0), 0.5),)),
            "room den takes in 70 m3/h of air and gives off 110; make them equal",
        ),
        (
            replace(GOOD, handlers=(AirHandler("fan", (40.0, 0.0), (40.0, 0.0), 85.0),)),
            "handler fan: efficiency: .*85.* is outside 0..1; write 85 % as 0.85",
        ),
        (
            replace(GOOD, handlers=(AirHandler("fan", (4.0, 0.0), (4.0, 0.0), 0.5),) * 2),
            "pattern 0: two handlers have one name",
        ),
    ],
)
def test_air_that_does_not_balance_is_refused_by_room_value_and_fix(flow: FlowPattern, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        ZoneInputs(("den", "hall"), (30.0, 40.0), 1.0, np.ones((1, 3)), (flow,))


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"rooms": ("den", "den")}, "rooms: .*no two alike"),
        ({"rooms": ()}, "rooms: .*at least one"),
        ({"volumes_m3": (30.0, 0.0)}, "volumes_m3: .*0.* is not above zero"),
        ({"volumes_m3": (30.0, 40.0, 50.0)}, r"volumes_m3: shape \(3,\); give an array of shape \(2,\)"),
        ({"step_h": 0.0}, "step_h: .*0.* is not above zero"),
        ({"step_h": (1.0, 1.0)}, r"step_h: shape \(2,\)"),
        ({"outdoor_ug_m3": np.ones(3)}, r"outdoor_ug_m3: shape \(3,\); give a row for each size bin"),
        ({"outdoor_ug_m3": np.array([[1.0, np.nan, 1.0]])}, "outdoor_ug_m3: .*nan.* is not finite"),
        ({"pattern": 1}, "pattern: 1 to 1; there are patterns 0 to 0"),
        ({"pattern": 0.5}, "pattern: give the number of a pattern"),
        ({"pattern": (0, 0)}, "pattern: give the number of a pattern"),
        ({"penetration": 1.2}, "penetration: .*1.2.* is outside 0..1"),
        ({"emission_ug_h": np.ones(2)}, r"emission_ug_h: shape \(2,\)"),
    ],
)
def test_bad_inputs_of_rooms_are_refused_by_name_value_and_fix(changed: dict[str, Any], message: str) -> None:
    good = ZoneInputs(("den", "hall"), (30.0, 40.0), 1.0, np.ones((1, 3)), (GOOD,))
    with pytest.raises(ValueError, match=message):
        replace(good, **changed)


@pytest.mark.parametrize("start", [-1.0, np.nan, np.ones(3)])
def test_a_bad_start_of_rooms_is_refused(start: Any) -> None:
    with pytest.raises(ValueError, match="start_ug_m3: "):
        solve_zones(ZoneInputs(("den", "hall"), (30.0, 40.0), 1.0, np.ones((1, 3)), (GOOD,)), start)
