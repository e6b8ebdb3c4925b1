"""Whether what `--change` plants is found again, as it was measured."""

RECOVERED_BY = "python -m tests.bench.change_recovery --seeds 50"
RECOVERED_ON = "30 November 2026"
RECOVERED = (
    ("occlusions of prong-2, log rate ratio", "0.693", "0.646", "0.064"),
    ("wall-oxygen-time at cedar, log odds ratio", "1.099", "1.062", "0.040"),
    ("retraining of cannula-weight at alder, log odds ratio", "-1.204", "-1.406", "0.180"),
    ("retraining that does not work, of monitoring-gap at birch", "0", "-0.014", "0.063"),
    ("unheated-time at birch, log odds ratio", "1.099", "1.332", "0.123"),
    ("H-damson-2 fails, share", "0.5", "0.486", "0.012"),
    ("V-alder-1 fails, share", "0.4", "0.387", "0.011"),
    ("events in logs that stopped", "0", "0", ""),
)
"""As the command printed them on that day; a change of the simulator asks for a new count."""
