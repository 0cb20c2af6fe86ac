"""Exact statistics of rare faults: how sure a rate is, whether it changes, how long runs last.

    proportions      faults per reload: exact intervals, comparison with the rest, shrinkage, many looks at once
    counts           faults per hour: exact intervals, ratio of two rates, mean time between failures
    failure_times    do faults become more or fewer: trend tests, power law
    change_point     since when: the exact chance of so clear a change
    charts           EWMA, CUSUM, c- and p-chart, and how seldom they signal by chance
    hazards          stops per hour and per reload: posteriors, shrunken across machines
    nights           a night played out: parts, ranges, chances, by formula and by simulation
    survival         how long runs last, what ends them, faults per machine over time
    climb            the top of a hill of two parameters, for the fits above

Plain numbers and arrays in, plain numbers and small records out; nothing here knows a table. Each function names its
source; tests/published holds them against printed examples.
"""
