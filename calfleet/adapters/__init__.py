"""How people and files reach calfleet: the command line, workbooks, documents."""
