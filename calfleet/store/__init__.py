"""The only SQL: models, named queries, the unit of work, guards and the schema gate."""
