"""Files for people: marks, tables, exclusion lists, pages."""
