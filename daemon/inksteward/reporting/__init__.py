"""What a run record says, for people and for their own programs: a report to print, tables to ask."""
