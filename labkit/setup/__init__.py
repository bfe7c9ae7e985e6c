"""What stands between a fresh clone and a running workbook; standard library only."""
