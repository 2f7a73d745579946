"""The words of the demo folder: its README and its fleet.toml, both marked as invented."""

FLEET_TOML = """\
# An INVENTED fleet: invented company, shops, trucks, costs and intervals. Nothing here describes a real one.
distance = "mi"
records_from = 2020-07-01
as_of = 2026-06-30
duty_cycles = ["line_haul", "regional", "vocational"]
same_event_days = 7
same_event_miles = 500
max_set_aside_share = 0.05
scale = "miles"
currency = "USD"

[costs]
regrease_stop = 140
ownership_miles = { line_haul = 600000, regional = 450000, vocational = 250000 }
joint = { planned = 380, failure = 2400 }
slip_spline = { planned = 1500, failure = 4200 }
boot = { planned = 160, failure = 300 }
center_bearing = { planned = 420, failure = 1600 }

[costs.by_duty_cycle.vocational]
joint = { failure = 1800 }

[published_interval]
line_haul = { miles = 25000, months = 6, source = "invented for the demo" }
regional = { miles = 15000, months = 6, source = "invented for the demo" }
vocational = { miles = 15000, hours = 750, months = 6, source = "invented for the demo" }

[limits]
joint_play = { value = 0.006, unit = "in", source = "invented for the demo" }
spline_backlash = { value = 0.007, unit = "in", source = "invented for the demo" }

[shop]
interval_grid = 500

[[driveline.limits]]
name = "preferred_angle"
value = 3.5
unit = "deg"
source = "invented for the demo"
"""

README = """\
# The demo fleet: all of it is invented

No truck, shop, work order, part, cost or interval in this folder is real. The tables were drawn from a random number
generator by `wearlab demo`; the values that were planted are in `truth.json`, so that an answer can be judged.

`wearlab demo FOLDER --seed 1` writes exactly these files again. They follow the data contract: `units.csv`,
`positions.csv`, `services-*.csv`, `readings.csv`, `duty_changes.csv`, `lube_plan.csv`, `measurements.csv`,
`fleet.toml`. Beside them `spectra.csv` (a duty spectrum per class) and
`angles.csv` (joint angles and tubes of some trucks) are read by the driveline question alone.

It is one draw of chance: another seed tells the same story with other luck.

The story: a haulage company runs about 300 trucks over six years in three kinds of work, kept by five shops that each
grease in their own way. What is planted:

- Shorter regrease intervals lengthen the life of joints and slip splines much in vocational work, somewhat in regional
  work, and hardly in line-haul work. Boots and center bearings do not care.
- One lot of boots, fitted in four months of 2022 in every shop, fails six times as often.
- From a day in 2023 the clamps of one shop leak: its boots fail early, and the spline beside a failed boot wears four
  times as fast from then on.
- A few trucks wear their joints six times as fast as they should. All other trucks differ as trucks do (a gamma
  variable of mean 1 on the hazard).
- Plans change, some trucks change their work, some were bought used with or without papers, some have left. Some
  parts were replaced before they failed, with their mate, or in a campaign; some failures were found at an inspection.
- Meters run backwards, jump, are replaced or are missing; reasons and positions are missing; repairs are split over
  two orders; a few rows cannot be read at all. `truth.json` counts them.
"""
