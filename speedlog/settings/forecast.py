"""Settings of the fitted car and its forecasts (`speedlog.vehicle`)."""

from __future__ import annotations

from dataclasses import dataclass

from speedlog.settings.row import setting


@dataclass(frozen=True)
class ForecastSettings:
    """Simulation, fit, what was left, stopping, forecast."""

    step_s: float = setting(0.05, "s", "of the integration: a tenth of it moves a trap speed by less than 1e-6 of itself")
    fit_step_s: float = setting(0.1, "s", "of the integration in a fit, whose steps must be alike in all passes")
    ramp_steps: int = setting(20, "steps", "of the integration over the ramp, which then ends on a step")
    usual_trap_m: float = setting(30.0, "m", "between the beams, where nobody said: common practice, no source; the forecast then says so")
    longest_run_s: float = setting(60.0, "s", "a run-up that takes longer is none; the longest runways take 20 s")
    bin_s: float = setting(0.1, "s", "readings nearer in time are averaged: a car changes its pull no faster")
    drift_mps: float = setting(0.06, "m/s", "slow error of a GNSS speed, as in the model of the estimate")
    drift_s: float = setting(8.0, "s", "for how long it lasts")
    least_speed_sd_mps: float = setting(0.03, "m/s", "white noise of a GNSS speed, best receivers")
    current_sd_a: float = setting(0.2, "A", "the least noise of a logged current: a step of half an ampere")
    model_share: float = setting(0.004, "share", "of turns and current that the equations leave out: slip's waste, heat, timing")
    model_s: float = setting(2.0, "s", "for how long what is left out stays alike")
    voltage_sd_v: float = setting(0.02, "V", "the least noise of a logged voltage, and what a pack keeps in mind beyond R I")
    rpm_sd: float = setting(5.0, "rpm", "the least noise of logged turns: steps of 10 or 20")
    gust_mps: float = setting(0.5, "m/s", "standard deviation of gusts at the car's height in a light wind; between one meeting and another 0.2 to 1")
    gust_s: float = setting(2.5, "s", "distance in time of the points between which the head wind is drawn straight")
    wind_share: float = setting(0.25, "share", "of a wind reading that its place, time and the log law leave open")
    wind_least_mps: float = setting(0.4, "m/s", "the least that a reading leaves open")
    wind_unknown_mps: float = setting(3.0, "m/s", "standard deviation of a head wind that nobody wrote down")
    density_share: float = setting(0.002, "share", "of the air's density left open by good readings of the weather")
    density_unknown: float = setting(0.03, "share", "where the weather was not given: 10 K and 10 hPa")
    clock_s: float = setting(0.02, "s", "a controller's clock against GNSS as the estimate matches them, with a margin")
    launch_s: float = setting(0.3, "s", "of the launch, where no throttle was logged")
    full_throttle: float = setting(0.98, "share", "less is not full: logs count in whole percent")
    neutral_throttle: float = setting(0.02, "share", "more is not neutral")
    settle_s: float = setting(0.15, "s", "after the throttle is neutral the current dies away")
    braking_mps2: float = setting(2.0, "m/s²", "less is no braking")
    braking_spread: float = setting(0.1, "share", "of the deceleration from one shutdown of a driver to the next, common practice, no source")
    reaction_u_s: float = setting(0.25, "s", "by which the time from the trap's exit to the brake differs from one pass of a driver to the next, common practice, no source")
    usual_weight: int = setting(4, "degrees of freedom", "what the usual scatter of a driver weighs against that of a few passes")
    white_factors: tuple[float, ...] = setting((0.7, 0.85, 1.0, 1.2, 1.5, 2.0, 3.0, 5.0), "times", "by which white noise may differ from what neighbouring readings show")
    slow_factors: tuple[float, ...] = setting((0.15, 0.3, 0.5, 0.75, 1.0, 1.5, 2.5, 5.0, 10.0), "times", "by which slow errors may differ from the usual")
    iterations: int = setting(40, "steps", "of the fit; with a controller's log it settles in under ten")
    settled: float = setting(1e-4, "share", "fall of the sum of squares under which the fit has settled")
    settled_cost: float = setting(0.1, "chi²", "or a fall of less than this: ten times as much is one standard deviation of one number")
    sound_misfit: float = setting(1.5, "times", "chi² over the number of readings: more, and the descent begins again from another side; sound fits of simulated days reach 1.0, of the demo 1.7; wrong valleys end above 3")
    most_misfit: float = setting(2.5, "times", "chi² over the number of readings, before their scatter weighs them: more, and the fit has missed the car")
    pass_share: float = setting(0.002, "share", "of a trap speed by which like passes differ beyond what is in the model: line, bumps, surface")
    rest_share: float = setting(0.004, "share", "by which the rest voltage differs from one full charge to another")
    draws: int = setting(160, "draws", "of a forecast's uncertainty: its half-widths are then good to 6 %")
    sweep_draws: int = setting(80, "draws", "of each point of a sweep: half-widths good to 8 %, fifty points in a second or two")
    model_growth: float = setting(0.04, "share", "of the change from the nearest fitted pass that a forecast of it may be wrong by, beyond its parameters")
    sweep_points: int = setting(50, "points", "of a sweep: a smooth curve")
    reach: tuple[float, float] = setting((0.5, 2.0), "times", "what current limit, run-up or gearing stand at, within which a target is looked for; beyond it the fit knows nothing")
    no_current_a: float = setting(3.0, "A", "less is about zero: noise of the log")
    least_coast_s: float = setting(0.6, "s", "a shorter coast holds no deceleration: 0.1 m/s of noise over it is 0.2 m/s²")
    brake_step_mps2: float = setting(1.2, "m/s²", "a coasting car decelerates ever less; more by this is a brake: four times the noise of the estimate's acceleration")
    least_stretch_s: float = setting(0.25, "s", "a shorter stretch of one limit is joined to its neighbour")
    more_run_up_m: tuple[float, ...] = setting((50.0, 100.0, 200.0), "m", "for which what was left is told: what a runway may still hold")
    most_misfit_sd: float = setting(3.0, "standard deviations", "of the speed readings' own noise: a slow or noisy logger may lie further from a sound fit than most_misfit_mps")
    most_misfit_mps: float = setting(0.2, "m/s", "rms of the speeds about the fit: more, and it has settled in a wrong place; sound fits of simulated days stay below 0.13")
