"""What is taken beforehand, until the tester's own strips say otherwise. Standard uncertainties.

Common practice and estimates, no published source; a real bench may differ, which is why glass-only halves and
replicates are advised: they measure these. Values on ln(dose) unless said.
"""

#: Lamp, from one exposure to the next within a run.
LAMP = 0.011
#: Speed of the paper between strips of one sheet, and between patches of one strip.
PAPER = 0.0095
PAPER_WITHIN = 0.006
#: Light at one marked spot, or at a place whose light is given.
PLACE = 0.003
#: Light at a place that is not known, where other rows of the table give theirs.
PLACE_UNKNOWN = 0.015
#: Lamp between runs.
RUN = 0.025
#: Speed of the paper between sheets of one lot, and between lots.
SHEET = 0.040
LOT = 0.12
#: Range of density between sheets. [density]
SHEET_RANGE = 0.010
#: Starting and ending an exposure by hand. [s]
TIMING_S = 0.5
#: Pictures without the mat: change of the tone curve between pictures by a phone, by a scanner. [density]
OTHER_PHOTO, OTHER_SCAN = 0.06, 0.006
#: ln of what glass lets through, where glass-only strips do not tell: 12 to 27 % is lost.
GLASS, GLASS_SPREAD = -0.223, 0.055
#: Film mass between plates of a product, as a share of absorbance. [1]
FILM = 0.18
#: Density noise of a patch mean against what its own blocks foretell: ratio of variances and how firmly it is held.
NOISE_RATIO, NOISE_DOF = 1.6, 6.0
#: Warm-up of a lamp: time constant [s] and the share of the missing light that is uncertain.
WARM_UP_S, WARM_UP_DOUBT = 240.0, 0.4
#: A strip younger than this is still deepening. [h]
FULL_AGE_H = 20.0
