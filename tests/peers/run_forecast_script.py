#!/usr/bin/env python3
"""Asks forecast_script.py, unaltered, for single forecasts: one JSON request a line in, one JSON answer a line out.

Request: {"book": path, "history": [batch ids], "cases": [{"batch", "stage", "at"}]}.
Answer: [{"p10", "p50", "p90"}], minutes from the start of the stage, in the order of the cases.
"""
import json, sys
import forecast_script as script

for line in sys.stdin:
    ask = json.loads(line)
    with open(ask["book"], encoding="utf-8") as lines:
        book = script.Book(json.loads(x) for x in lines)
    fitted = {stage: script.fit(book, stage, ask["history"]) for stage in ("bulk", "final")}
    print(json.dumps([script.forecast(fitted[c["stage"]], book, c["batch"], c["stage"], script.time(c["at"])) for c in ask["cases"]]), flush=True)
