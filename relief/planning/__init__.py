"""The operations of a job: where the tip goes, from the target and the rules, before any text is written."""
