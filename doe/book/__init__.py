"""The shop's database: stacks, lines, gauges, studies, scores, and who did what when."""
