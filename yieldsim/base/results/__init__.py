"""What each command answers, as typed tables: the JSON, the pages, the attributes and the schemas are made from these."""
