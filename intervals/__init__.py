"""Works things out: readings, usage, rules, due dates, fluid age, exchanges. Pure: no records, no clock."""
