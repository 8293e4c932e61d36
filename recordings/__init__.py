"""What is stored: the recorder, the journal, sealed recordings, exports."""
