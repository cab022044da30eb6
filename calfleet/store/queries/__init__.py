"""Named questions to the database; each returns records and judges nothing."""
