"""From charted rows to what is known when: windows, intervals, clocks and occlusions.

Every function here returns SQL; `stages` of `pipeline.judging.evaluator` names them in order, and
they are run there. The tables they make are `judged.trip_window`, `judged.timeline`,
`judged.clock` and `judged.occlusion`; all read `to_judge`, the trips whose verdicts are wanted.
"""
