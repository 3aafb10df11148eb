"""What every report says whatever the figures: what they cannot show, and the cautions."""

#: Practice.md P33 (common practice, no source).
ENCODERS = (
    "Positions are those of the motor encoders: they see neither backlash, nor belt stretch, nor a racked beam. "
    "Measure at the load before trusting a figure as a position of the load."
)

SIMULATED = (
    "This was a dry-run on a simulated bus in virtual time: it proves the recipe against a model of the machine, not "
    "against the machine."
)

NOMINAL = "The simulated machine was derived from the recipe itself, so this dry-run cannot reveal a wrong scale."

NOMINAL_INPUTS = (
    "There is no machine behind its inputs either: they read as the recipe wants them, and what a step waits for came "
    "true by itself, half of the way along or shortly after the step had begun."
)

CAUTION = (
    "A machine that moves can crush, trap and cut. The stop of choreo is software: it replaces neither the emergency "
    "stop nor the safety functions that the machine's risk assessment asks for. Local codes, the drive maker's "
    "instructions and the person licensed or appointed for the machine come first."
)

CUT_OFF = (
    "The journal ends before the run did: choreo was ended from outside. Nothing here says how the axes stand now; "
    "look at the machine before anything else."
)
