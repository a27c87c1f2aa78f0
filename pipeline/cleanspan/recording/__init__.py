"""Reading recordings: formats, channel roles, units, blocks of µV."""
