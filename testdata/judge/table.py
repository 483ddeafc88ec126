#!/usr/bin/env python3
"""Prints what judge.py wrote as a table: table.py FILE

taken%: visits with a reading; mean, sd, p95: error of the first reading of a visit, um; rms/U:
of error over U (k = 2); nread: visits without a size that were read; dbl: read twice; pm,
p95: true passes until the reading; dm, d95: from the last of them to the reading, s;
afterW: read after the hand had begun to withdraw; pre: before any true pass; gbias: by how
much the gauge itself reads too large, um, where it averages."""
import json, sys
c = ['visits', 'good', 'taken_pct', 'mean_um', 'sd_um', 'p95_abs_um', 'rms_over_U', 'false', 'none_read', 'doubles',
     'passes_med', 'passes_95', 'delay_med_s', 'delay_95_s', 'after_withdrawal', 'before_any_pass', 'gauge_bias_um']
h = ['n', 'good', 'taken%', 'mean', 'sd', 'p95', 'rms/U', 'false', 'nread', 'dbl', 'pm', 'p95', 'dm', 'd95', 'afterW', 'pre', 'gbias']
print('%-16s' % 'family', *['%6s' % x for x in h])
for line in open(sys.argv[1]):
    e = json.loads(line)
    print('%-16s' % e['family'], *['%6s' % ('-' if e[k] is None else e[k]) for k in c], e['other'] or '')
