"""One file per verb of the shop: no SQL, no printing, no files, no clock."""
