"""What a batch can show: the chance of finding an effect, by the test that will be made."""
