"""Names of the folder and files that preflash stub writes."""

FOLDER, GUESSES, UNDEFINED = "stubs", "preflash_guesses.h", "preflash_undefined.c"
