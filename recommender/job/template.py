"""The commented job file that a new job starts from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

from recommender.job.checks import steers
from recommender.job.job import JobError, visible
from recommender.job.schema import LONGEST_NAME
from recommender.wording import writable

TEMPLATE: Final = """\
# One job: one car, one controller, one or more targets.
# Lines with # are remarks. Change what is not yours, keep what fits, delete what you do not need.

name = {name}
pressure = "psi"              # psi, kPa or bar: for every pressure in this file and on every screen; boost is gauge
notes = ""                    # fuel, tyres, what was done before: printed on the hand-over sheet

[target]                      # boost wanted, straight lines between the points
rpm        = [2600, 3900, 6800]
boost      = [8.0, 16.0, 16.0]
# judge_from = 3900           # where the deviation counts; else the first rpm at the highest boost wanted
# judge_to   = 6700           # else the last rpm; 500 rpm above judge_from or more
# tolerance  = 0.4            # the job is done at this deviation; else 0.4 psi
# Several targets for one car: name them instead, [targets.road], [targets.track], each with the same keys.

[limit]
overpressure = 19.0           # boost that must never be passed; else 3 psi above the highest target.
                              # Set it in the controller too, and test that it cuts.
risk = 0.01                   # highest chance of passing it that a proposal may have

# One table for each knob of the controller: the range it may be given, the smallest change that can be
# dialled (resolution), and the largest change from one pull to the next (step).
# A knob that your controller lacks: delete its table, or write  fixed = 0  in it.

[knobs.duty]                  # share of time the solenoid bleeds the wastegate's signal, %
lower = 0
upper = 90
resolution = 1
step = 20

[knobs.ramp_from]             # rpm at which extra duty begins
lower = 3000
upper = 5500
resolution = 100
step = 1000

[knobs.ramp_to]               # rpm at which extra duty is all there
lower = 5600
upper = 7000
resolution = 100
step = 1000

[knobs.ramp_add]              # extra duty, points
lower = 0
upper = 30
resolution = 1
step = 10

[knobs.engagement]            # boost below which the gate is held shut
lower = 0.0
upper = 16.0
resolution = 0.5
step = 8.0

[knobs.gain]                  # strength of the controller's own feedback, on its own scale
lower = 0
upper = 10
resolution = 1
step = 3

# [channels]                  # only where the columns of the log are not recognised on their own
# rpm = "Engine Speed"
# boost = "MAP"
# boost_is = "absolute"       # or "gauge"
# barometer_kpa = 98.5        # where the log has no barometer
# stoichiometric = 9.0        # where the log writes an air-fuel ratio and the fuel is not petrol (14.7)
# gauge_lag_s = 0.05          # where the lag of the gauge is known

# [guards]                    # bounds on other channels of the log, in the log's own unit
# lambda = {{ highest = 0.86 }}
# exhaust_c = {{ highest = 930 }}
# knock = {{ highest = 3 }}

# [record]                    # where the record is kept, if not beside this file
# storage = "postgresql+psycopg://workshop@server/pulls"
# study = "hatch, blue"       # its name there, if another car has the name above
"""


def write_template(folder: str | Path, name: str | None = None) -> Path:
    """Write a commented ``job.toml`` into a folder, which is made where it does not exist.

    Args:
        folder: Where to.
        name: Name of the job; the folder's name where none is given.
    Returns:
        The file.
    Raises:
        JobError: there is a job file already (nothing is ever overwritten), the folder cannot be written to, or no job
            can have that name.
    """
    place = Path(folder)
    file = place / "job.toml"
    if name and (not name.strip() or any(map(steers, name)) or len(name) > LONGEST_NAME):
        raise JobError(f'name: must be one line of up to {LONGEST_NAME} letters and signs, but got "{visible(name)}".')
    own = writable(name or place.resolve().name)
    own = "".join(" " if steers(sign) else sign for sign in own).strip()[:LONGEST_NAME] or "My job"
    text = TEMPLATE.format(name=json.dumps(own, ensure_ascii=False))
    try:
        place.mkdir(parents=True, exist_ok=True)
        file.touch(exist_ok=False)
    except FileExistsError:
        raise JobError(f"{file}: exists already and is left as it is. Name another folder.") from None
    except OSError as error:
        raise JobError(f"{file}: cannot be written: {error.strerror}. Name another folder.") from None
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        file.unlink(missing_ok=True)  # half of it would stand in the way of the next try
        words = f"{file}: cannot be written: {error.strerror}. Make room there, or name another folder."
        raise JobError(words) from None
    return file
