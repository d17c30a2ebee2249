"""Compares what a file tells with what the register holds, table by table, and plans what is to be written."""
