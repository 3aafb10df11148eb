"""How a run conducts itself: figures that the plan predicts with and the run keeps."""

#: Requests that are out at a time over all drives, counted from the oldest unanswered one.
WINDOW = 4
#: Requests that lie nearer together than this belong to one round of polls of a pair.
ROUND_NS = 5_000_000
#: How long a vertical axis is looked at after its power was taken: its brake must hold it.
HOLD_LOOK_NS = 200_000_000
#: How often the switches are looked at in a search for home: 1.2 mm at 60 mm/s. The edge is captured by the drive.
LOOK_NS = 20_000_000
#: Settling between the phases of homing.
PHASE_SETTLE_NS = 40_000_000
