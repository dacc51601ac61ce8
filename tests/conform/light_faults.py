"""Mistakes that the author of `light_firmware.c` built in, each by its number there.

`OPEN` are those that no vector tells, each with the reason.
"""

FAULTS = {
    "edges within the debounce time do not begin it anew": 1,
    "no longer flat from 2.31 V on": 2,
    "chatter of more than 1 s is given up, the contact taken as it is": 3,
    "the settled level begins as the pin is at power-up": 4,
    "a press of more than 10 s makes no click": 5,
    "deaf for 400 ms after a double click": 6,
    "the click waits while the contact bounces": 7,
    "a press exactly at the end of the window is a double": 8,
    "samples counted in 8 bits: the 257th is taken for the first": 9,
    "32 bits of milliseconds for the end of the light, compared plainly": 10,
    "16 bits of seconds for the end of the search, compared plainly": 11,
    "a queue of four that a fourth entry makes look empty": 12,
    "the sample is taken when its time ends, not behind what stands in the queue": 13,
    "a double on a flat cell begins no search": 14,
    "a flat cell ends the search, too": 15,
    "a double out of the dark begins the time of a search that runs anew": 16,
    "an edge in the instant of a sample is lost": 17,
    "a sample that falls into a bounce waits until the contact has settled": 18,
    "a weak light becomes a full one when the cell is back": 19,
    "the time of the next sample outlives the loss of the supply": 20,
}

OPEN = {
    "32 bits of milliseconds for the end of the light, compared plainly":
        "no vector waits for 49.7 days: the gauge samples every 8 s",
    "a queue of four that a fourth entry makes look empty":
        "no vector has four events wait in one instant",
}
