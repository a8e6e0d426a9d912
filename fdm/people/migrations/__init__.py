"""How the store's tables came about, one file per step; a step once released is never edited."""
