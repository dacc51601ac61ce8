"""Faults put into `glimmer_firmware.py` by its author: name, and what stands instead of what.

`OPEN` are those that nobody can see at the pins, each with the reason.
"""

FAULTS = {
    'light kept over a loss of supply': [
        ((
            '        self.lit = False\n        self.soon_end = NEVER\n        self.la'
            'st_end = NEVER\n        self.awake = True'
        ), (
            "        self.lit = getattr(self, 'lit', False)\n        self.soon_end ="
            ' t + SOON if self.lit else NEVER\n        self.last_end = t + LAST if s'
            'elf.lit else NEVER\n        self.awake = True'
        )),
    ],
    'field (near, blocked) kept over a loss of supply': [
        ('        self.field = "clear"        # clear, near, blocked', '        self.field = getattr(self, "field", "clear")'),
    ],
    'echo count kept over a loss of supply': [
        ((
            '        self.echoes = 0\n        self.misses = 0\n        self.field_end'
            ' = NEVER\n'
        ), (
            "        self.echoes = getattr(self, 'echoes', 0)\n        self.misses ="
            ' 0\n        self.field_end = NEVER\n'
        )),
    ],
    'phase of looks kept over a loss of supply': [
        ('        if first:\n            self.start_look(t)', (
            '        if first:\n            self.start_look(t)\n            if t:\n   '
            '             self.look_began = t - t % EVERY'
        )),
    ],
    'outputs stay on when the supply is lost': [
        ('self.say("out %d %s 0" % (t, name))', 'pass'),
    ],
    'off in the middle of a look: receiver stays on': [
        ('            if self.powered and self.levels[name]:', (
            '            if self.powered and self.levels[name] and name != "eye.rec'
            'eiver":'
        )),
    ],
    '30 s guard dropped': [
        ('if not self.field == "near":', 'if True:'),
    ],
    '30 s guard reads not blocked as well': [
        ('if not self.field == "near":', 'if self.field == "clear":'),
    ],
    '30 s guard false: tried again every look': [
        ((
            '                if not self.field == "near":\n                    self.'
            'put_out()'
        ), (
            '                if not self.field == "near":\n                    self.'
            'put_out()\n                else:\n                    self.soon_end = t '
            '+ EVERY'
        )),
    ],
    '30 s guard false: 30 s anew each time and 60 s too': [
        ((
            '                if not self.field == "near":\n                    self.'
            'put_out()'
        ), (
            '                if not self.field == "near":\n                    self.'
            'put_out()\n                else:\n                    self.soon_end = t '
            '+ SOON\n                    self.last_end = t + LAST'
        )),
    ],
    '30 s guard: a single miss counts as far': [
        ('if not self.field == "near":', 'if not self.field == "near" or self.misses:'),
    ],
    '30 s guard counts echoes before near as near': [
        ('if not self.field == "near":', 'if not self.field == "near" and not self.echoes:'),
    ],
    '60 s row missing': [
        ('            self.last_end = t + LAST', '            self.last_end = NEVER'),
    ],
    '60 s is 61 s': [
        ('LAST = 60000 * MS', 'LAST = 61000 * MS'),
    ],
    '60 s is 59 s': [
        ('LAST = 60000 * MS', 'LAST = 59000 * MS'),
    ],
    '60 s guarded by not near': [
        ('            if self.last_end == t:\n                self.put_out()', (
            '            if self.last_end == t and self.field != "near":\n          '
            '      self.put_out()'
        )),
    ],
    'far in lit starts 60 s anew': [
        ('                self.queue.append("eye.far")', (
            '                self.queue.append("eye.far")\n                if self.l'
            'it:\n                    self.last_end = t + LAST'
        )),
    ],
    'near in lit starts 30 s anew': [
        ('            self.queue.append("eye.near")', (
            '            self.queue.append("eye.near")\n            if self.lit:\n   '
            '             self.soon_end = t + SOON'
        )),
    ],
    '30 s is 30.2 s': [
        ('SOON = 30000 * MS', 'SOON = 30200 * MS'),
    ],
    '30 s is 29.8 s': [
        ('SOON = 30000 * MS', 'SOON = 29800 * MS'),
    ],
    '30 s clock not restarted at second lit': [
        ('            self.soon_end = t + SOON', (
            "            self.soon_end = max(t + MS, getattr(self, 'first_lit', t) "
            "+ SOON) if getattr(self, 'first_lit', t) + SOON > t else t + SOON\n    "
            "        self.first_lit = getattr(self, 'first_lit', t)"
        )),
    ],
    '60 s clock not restarted at second lit': [
        ('            self.last_end = t + LAST', (
            "            self.first_lit = getattr(self, 'first_lit', t)\n           "
            ' self.last_end = self.first_lit + LAST if self.first_lit + LAST > t el'
            'se t + LAST'
        )),
    ],
    '60 s expiry also blocks the next wave': [
        ('            if self.last_end == t:\n                self.put_out()', (
            '            if self.last_end == t:\n                self.put_out()\n    '
            "            self.field = 'near'"
        )),
    ],
    'near after 2 echoes': [
        ('        if self.echoes == AGREE:', '        if self.echoes == 2:'),
    ],
    'near after 4 echoes': [
        ('        if self.echoes == AGREE:', '        if self.echoes == 4:'),
    ],
    'far after 2 misses': [
        ('            if self.misses == AGREE:', '            if self.misses == 2:'),
    ],
    'far after 4 misses': [
        ('            if self.misses == AGREE:', '            if self.misses == 4:'),
    ],
    'a miss does not begin the echo count anew in a clear field': [
        ('            self.field_end = t + CLEAR\n        self.echoes = 0', (
            "            self.field_end = t + CLEAR\n        if self.field == 'block"
            "ed':\n            self.echoes = 0"
        )),
    ],
    'a miss does not begin the echo count anew in a blocked field': [
        ('            self.field_end = t + CLEAR\n        self.echoes = 0', (
            "            self.field_end = t + CLEAR\n        if self.field == 'clear"
            "':\n            self.echoes = 0"
        )),
    ],
    'a miss takes only one echo from the count': [
        ('            self.field_end = t + CLEAR\n        self.echoes = 0', (
            '            self.field_end = t + CLEAR\n        self.echoes = max(0, se'
            'lf.echoes - 1)'
        )),
    ],
    'an echo does not begin the miss count anew': [
        ('        self.misses = 0\n        if self.field ==', '        if self.field =='),
    ],
    'an echo takes only one miss from the count': [
        ('        self.misses = 0\n        if self.field ==', '        self.misses = max(0, self.misses - 1)\n        if self.field =='),
    ],
    'echo count 1 left over at near': [
        ('            self.echoes = 0\n            self.queue', '            self.echoes = 1\n            self.queue'),
    ],
    're-arm time not restarted after an echo (old end stays)': [
        ((
            '        if self.echoes and self.field == "blocked":\n            self.f'
            'ield_end = t + CLEAR'
        ), (
            '        if self.echoes and self.field == "blocked":\n            self.f'
            'ield_end = max(t + MS, self.far_at + CLEAR)'
        )),
        ('                self.field_end = t + CLEAR\n                self.queue', (
            '                self.field_end = t + CLEAR\n                self.far_at'
            ' = t\n                self.queue'
        )),
    ],
    're-arm time runs on during echoes': [
        ('        self.field_end = NEVER      # an echo stops the re-arm time', '        if self.echoes == AGREE:\n            self.field_end = NEVER'),
    ],
    'two echoes and a miss in a blocked field: field clear at once': [
        ('        if self.echoes and self.field', (
            '        if self.echoes == 2 and self.field == "blocked":\n            s'
            'elf.field = "clear"\n        if self.echoes and self.field'
        )),
    ],
    're-arm time counts from the last echo, not the miss after it': [
        ((
            '        if self.echoes and self.field == "blocked":\n            self.f'
            'ield_end = t + CLEAR'
        ), (
            '        if self.echoes and self.field == "blocked":\n            self.f'
            'ield_end = t + CLEAR - EVERY'
        )),
    ],
    're-arm after a later echo is 1.2 s': [
        ((
            '        if self.echoes and self.field == "blocked":\n            self.f'
            'ield_end = t + CLEAR'
        ), (
            '        if self.echoes and self.field == "blocked":\n            self.f'
            'ield_end = t + CLEAR + EVERY'
        )),
    ],
    're-arm 0.8 s': [
        ('CLEAR = 1000 * MS', 'CLEAR = 800 * MS'),
    ],
    're-arm 0.9 s': [
        ('CLEAR = 1000 * MS', 'CLEAR = 900 * MS'),
    ],
    're-arm 1.02 s': [
        ('CLEAR = 1000 * MS', 'CLEAR = 1020 * MS'),
    ],
    're-arm 1.2 s': [
        ('CLEAR = 1000 * MS', 'CLEAR = 1200 * MS'),
    ],
    'near in a blocked field leaves it for good (no re-arm after second far)': [
        ('            was_clear = self.field == "clear"', (
            '            was_clear = self.field == "clear"\n            self.again ='
            ' not was_clear'
        )),
        ('                self.field = "blocked"\n', '                self.field = "clear" if self.again else "blocked"\n'),
        ('                self.field_end = t + CLEAR\n                self.queue', (
            '                self.field_end = NEVER if self.again else t + CLEAR\n  '
            '              self.queue'
        )),
    ],
    'near in a blocked field is a wave': [
        ('            if was_clear:', '            if True:'),
    ],
    'order: echo at the end of the re-arm time comes first': [
        ('        self.look_time(t)\n', (
            '        self.look_time(t)\n            if self.queue and self.queue[-1]'
            " == 'eye.hit' and self.field_end == t:\n                self.queue.pop("
            ')\n                self.hit(t)\n'
        )),
    ],
    'order: wave at the end of 30 s comes before it': [
        ((
            '        if self.soon_end == t:\n            queue.append("soon ends")\n '
            '       if self.last_end == t:\n            queue.append("last ends")\n  '
            '      while queue:\n            self.handle(queue.popleft(), t)\n'
        ), (
            '        if self.last_end == t:\n            queue.append("last ends")\n '
            '       while queue:\n            self.handle(queue.popleft(), t)\n      '
            '  if self.soon_end == t:\n            self.handle("soon ends", t)\n'
        )),
    ],
    'order: wave at the end of 60 s comes before it': [
        ((
            '        if self.last_end == t:\n            queue.append("last ends")\n '
            '       while queue:\n            self.handle(queue.popleft(), t)\n'
        ), (
            '        while queue:\n            self.handle(queue.popleft(), t)\n     '
            '   if self.last_end == t:\n            self.handle("last ends", t)\n'
        )),
    ],
    'look lost at the end of 30 s': [
        ('        elif what == "soon ends":\n            if self.soon_end == t:', (
            '        elif what == "soon ends":\n            if \'eye.hit\' in self.que'
            "ue:\n                self.queue.remove('eye.hit')\n            if self.s"
            'oon_end == t:'
        )),
    ],
    'looks stop while lit after 30 s guard false': [
        ((
            '                if not self.field == "near":\n                    self.'
            'put_out()'
        ), (
            '                if not self.field == "near":\n                    self.'
            'put_out()\n                else:\n                    self.look_end = t '
            '+ EVERY * 5'
        )),
    ],
    'hand in front at power-up ignored until a miss': [
        ('        self.field = "clear"        # clear, near, blocked', '        self.field = "clear"\n        self.ever = False'),
        ('        self.misses = 0\n        if self.field ==', (
            '        if not self.ever:\n            return\n        self.misses = 0\n '
            '       if self.field =='
        )),
        ('    def miss(self, t):\n', '    def miss(self, t):\n        self.ever = True\n'),
    ],
    'field blocked at power-up for the re-arm time': [
        ('        self.misses = 0\n        self.field_end = NEVER\n', (
            "        self.misses = 0\n        self.field = 'blocked'\n        self.fi"
            'eld_end = t + CLEAR\n'
        )),
    ],
    'first look 200 ms after power-up': [
        ('            self.start_look(t)\n        if self.look_end', (
            '            self.look_end = t + EVERY\n            self.awake = True\n  '
            '      if self.look_end'
        )),
    ],
    'glow at half while near': [
        ('"glow": 1000000 if self.lit else 0', (
            '"glow": (500000 if self.field == "near" else 1000000) if self.lit else'
            ' 0'
        )),
    ],
    'glow at half while blocked': [
        ('"glow": 1000000 if self.lit else 0', (
            '"glow": (500000 if self.field == "blocked" else 1000000) if self.lit e'
            'lse 0'
        )),
    ],
    'glow at half after the 30 s guard was false': [
        ('"glow": 1000000 if self.lit else 0', (
            '"glow": (500000 if self.soon_end is NEVER else 1000000) if self.lit el'
            'se 0'
        )),
    ],
    'emitter at 24 %': [
        ('250000 if self.look', '240000 if self.look'),
    ],
    'emitter off while blocked and lit': [
        ('"eye.emitter": 250000 if self.look == "emitting" else 0', (
            '"eye.emitter": 250000 if self.look == "emitting" and not (self.lit and'
            ' self.field == "blocked") else 0'
        )),
    ],
    'emitter on while settling in a blocked field': [
        ('"eye.emitter": 250000 if self.look == "emitting" else 0', (
            '"eye.emitter": 250000 if self.look == "emitting" or (self.echoes == 2 '
            'and self.field == "blocked" and self.look == "settling") else 0'
        )),
    ],
    'looks every 201 ms while lit': [
        ('self.look_end = self.look_began + EVERY', 'self.look_end = self.look_began + EVERY + (MS if self.lit else 0)'),
    ],
    '200 ms from the end of a look': [
        ('self.look_end = self.look_began + EVERY', 'self.look_end = t + EVERY'),
    ],
    'burst 2 % long': [
        ('BURST = 1 * MS', 'BURST = 1020000'),
    ],
    'settle 2 % short': [
        ('SETTLE = 1 * MS', 'SETTLE = 980000'),
    ],
    'clock 1 % slow after 40 s': [
        ('self.look_end = self.look_began + EVERY', (
            'self.look_end = self.look_began + EVERY + (2 * MS if t > 40000 * MS el'
            'se 0)'
        )),
    ],
    'echo latched between looks': [
        ('            if self.read_echo():', (
            "            got = self.read_echo() or getattr(self, 'latched', 0)\n    "
            '        self.latched = 0\n            if got:'
        )),
        ('            self.inputs[name] = value\n', (
            "            self.inputs[name] = value\n            if name == 'eye.echo"
            "' and value:\n                self.latched = 1\n"
        )),
    ],
    'echo read at the beginning of the burst': [
        ('            self.look = "emitting"\n', (
            '            self.look = "emitting"\n            self.got = self.read_ec'
            'ho()\n'
        )),
        ('            if self.read_echo():', '            if self.got:'),
    ],
    'wave ignored in lit once the 30 s guard was false': [
        ('        if self.lit:\n            self.put_out()\n        else:', (
            '        if self.lit and self.soon_end is NEVER:\n            pass\n     '
            '   elif self.lit:\n            self.put_out()\n        else:'
        )),
    ],
    'wave in lit once the 30 s guard was false begins lit anew': [
        ('        if self.lit:\n            self.put_out()\n        else:', (
            '        if self.lit and self.soon_end is NEVER:\n            self.soon_'
            'end = t + SOON\n            self.last_end = t + LAST\n        elif self.'
            'lit:\n            self.put_out()\n        else:'
        )),
    ],
    'third light never comes': [
        ('            self.lit = True\n', (
            "            self.count = getattr(self, 'count', 0) + 1\n            sel"
            'f.lit = self.count < 3\n'
        )),
    ],
    'wave lost in the instant the re-arm time ends': [
        ('            if was_clear:', (
            "            if was_clear and getattr(self, 'cleared', NEVER) != t - 2 "
            '* EVERY:'
        )),
        ('                self.field = "clear"\n', '                self.field = "clear"\n                self.cleared = t\n'),
    ],
    '30 s time kept over a dark, not restarted by the next light': [
        ((
            '            self.lit = True\n            self.soon_end = t + SOON\n     '
            '       self.last_end = t + LAST\n\n    def put_out(self):\n        self.l'
            'it = False\n        self.soon_end = NEVER\n'
        ), (
            '            self.lit = True\n            if self.soon_end is NEVER:\n   '
            '             self.soon_end = t + SOON\n            self.last_end = t + '
            'LAST\n\n    def put_out(self):\n        self.lit = False\n'
        )),
    ],
    '60 s row fires from dark into lit never again: wave after a 60 s end lost': [
        ('            if self.last_end == t:\n                self.put_out()', (
            '            if self.last_end == t:\n                self.put_out()\n    '
            '            self.wave = lambda t: None'
        )),
    ],
    'wave after a 30 s end lost': [
        ((
            '                if not self.field == "near":\n                    self.'
            'put_out()'
        ), (
            '                if not self.field == "near":\n                    self.'
            'put_out()\n                    self.wave = lambda t: None'
        )),
    ],
    '60 s counted from the false guard': [
        ((
            '                if not self.field == "near":\n                    self.'
            'put_out()'
        ), (
            '                if not self.field == "near":\n                    self.'
            'put_out()\n                else:\n                    self.last_end = t '
            '+ LAST'
        )),
    ],
    'near in a blocked field puts out': [
        ('            if was_clear:', '            if was_clear or self.lit and self.soon_end is NEVER:'),
    ],
    'wave in lit begins lit anew': [
        ('        if self.lit:\n            self.put_out()\n        else:', '        if False:\n            self.put_out()\n        else:'),
    ],
    'looks stop in a near field after 3 min': [
        ('self.look_end = self.look_began + EVERY', (
            'self.look_end = self.look_began + EVERY * (1 if t < 180000 * MS else 1'
            '000)'
        )),
    ],
    'glow dark for 1 s in the 20th second of lit': [
        ('"glow": 1000000 if self.lit else 0', (
            '"glow": 1000000 if self.lit and not (self.soon_end is not NEVER and 90'
            '00 * MS < self.soon_end - t < 10000 * MS) else 0'
        )),
    ],
    'emitter at 90 % from 20 s to 21 s': [
        ('250000 if self.look == "emitting" else 0', (
            '(250000 if not 20000 * MS < t < 21000 * MS else 900000) if self.look ='
            '= "emitting" else 0'
        )),
    ],
}

OPEN = {
    # Nothing at the pins: looks come every 200 ms, so that a field that is clear after 0.9 s is
    # found clear by the same look; and a waking that ends in its instant may be told.
    're-arm 0.9 s',
    # Nothing at the pins: that outputs are off without a supply need not be told.
    'outputs stay on when the supply is lost',
    'off in the middle of a look: receiver stays on',
}
