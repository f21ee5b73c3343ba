"""Every state of an alarm, with everything that can happen to it, and what follows.

A letter is the condition, small where nobody was told of this occurrence:

    N normal   U unacknowledged   A acknowledged   R returned, unacknowledged
               L latched, unacknowledged   K latched, acknowledged

Before it stands what hides it from people: `s/` shelved for two hours, `c/` shelved until it has
cleared, `d/` suppressed by design, `o/` out of service; `sd/` is both. After it, `!` says that
people are told, `~` that they would be if it were not hidden, `=` that the rule is silent.
A lone `.` says that nothing happens, `x` that the request is refused, `-` that it cannot be.

What happens, without delays: the condition is `true`, `false` or unknown (`?`); `suppress_when` is
true (`sup`), false (`uns`) or unknown (`s?`); a person acknowledges (`ack`), resets, shelves for
two hours (`shelve`) or until it has cleared (`clear`), unshelves, takes it `out` of service or back
`in`; the `age` of an hour is reached, the re-alarm time; the `end` of a shelf has come.

Each table has two parts: a rule that does not latch, and one that does.
"""

from __future__ import annotations

TABLES = {
    # visible
    "": """
          true   false  ?  ack   reset shelve clear  unshelve sup   uns   s?  out   in   age  end
    N     U!     .      .  x     x     s/N    c/N    x        d/N   .     .   o/N   x    .    -
    U     .      R      .  A     x     s/U    c/U    x        d/U   .     .   o/U   x    U!   -
    A     .      N      .  x     x     s/A    c/A    x        d/A   .     .   o/A   x    U!   -
    R     U!     .      .  N     x     s/R    c/R    x        d/R   .     .   o/R   x    .    -

    U     .      L      .  A     x     s/U    c/U    x        d/U   .     .   o/U   x    U!   -
    A     .      K      .  x     x     s/A    c/A    x        d/A   .     .   o/A   x    U!   -
    L     U!     .      .  K     x     s/L    c/L    x        d/L   .     .   o/L   x    .    -
    K     U!     .      .  x     N     s/K    c/K    x        d/K   .     .   o/K   x    .    -
    """,
    # shelved for two hours
    "s/": """
          true   false  ?  ack   reset shelve clear  unshelve sup   uns   s?  out   in   age  end
    N     s/u~   .      .  x     x     s/N    c/N    N        sd/N  .     .   o/N   x    .    N
    U     .      s/R    .  s/A   x     s/U    c/U    U!       sd/U  .     .   o/U   x    .    U!
    u     .      s/r    .  s/A   x     s/u    c/u    U!       sd/u  .     .   o/u   x    .    U!
    A     .      s/N    .  x     x     s/A    c/A    U!       sd/A  .     .   o/A   x    .    U!
    R     s/u~   .      .  s/N   x     s/R    c/R    N        sd/R  .     .   o/R   x    .    N
    r     s/u~   .      .  s/N   x     s/r    c/r    N        sd/r  .     .   o/r   x    .    N

    U     .      s/L    .  s/A   x     s/U    c/U    U!       sd/U  .     .   o/U   x    .    U!
    u     .      s/l    .  s/A   x     s/u    c/u    U!       sd/u  .     .   o/u   x    .    U!
    A     .      s/K    .  x     x     s/A    c/A    U!       sd/A  .     .   o/A   x    .    U!
    L     s/u~   .      .  s/K   x     s/L    c/L    L        sd/L  .     .   o/L   x    .    L
    l     s/u~   .      .  s/K   x     s/l    c/l    L!       sd/l  .     .   o/l   x    .    L!
    K     s/u~   .      .  x     s/N   s/K    c/K    K        sd/K  .     .   o/K   x    .    K
    """,
    # shelved until it has cleared
    "c/": """
          true   false  ?  ack   reset shelve clear  unshelve sup   uns   s?  out   in   age  end
    N     c/u~   .      .  x     x     s/N    c/N    N        cd/N  .     .   o/N   x    .    N
    U     .      N      .  c/A   x     s/U    c/U    U!       cd/U  .     .   o/U   x    .    U!
    u     .      N      .  c/A   x     s/u    c/u    U!       cd/u  .     .   o/u   x    .    U!
    A     .      N      .  x     x     s/A    c/A    U!       cd/A  .     .   o/A   x    .    U!
    R     c/u~   .      .  c/N   x     s/R    c/R    N        cd/R  .     .   o/R   x    .    N

    U     .      L      .  c/A   x     s/U    c/U    U!       cd/U  .     .   o/U   x    .    U!
    u     .      L!     .  c/A   x     s/u    c/u    U!       cd/u  .     .   o/u   x    .    U!
    A     .      K      .  x     x     s/A    c/A    U!       cd/A  .     .   o/A   x    .    U!
    L     c/u~   .      .  c/K   x     s/L    c/L    L        cd/L  .     .   o/L   x    .    L
    K     c/u~   .      .  x     c/N   s/K    c/K    K        cd/K  .     .   o/K   x    .    K
    """,
    # suppressed by design
    "d/": """
          true   false  ?  ack   reset shelve clear  unshelve sup   uns   s?  out   in   age  end
    N     d/u~   .      .  x     x     sd/N   cd/N   x        .     N     .   od/N  x    .    -
    U     .      d/R    .  d/A   x     sd/U   cd/U   x        .     U     .   od/U  x    .    -
    u     .      d/r    .  d/A   x     sd/u   cd/u   x        .     U!    .   od/u  x    .    -
    A     .      d/N    .  x     x     sd/A   cd/A   x        .     A     .   od/A  x    .    -
    R     d/u~   .      .  d/N   x     sd/R   cd/R   x        .     R     .   od/R  x    .    -
    r     d/u~   .      .  d/N   x     sd/r   cd/r   x        .     N     .   od/r  x    .    -

    U     .      d/L    .  d/A   x     sd/U   cd/U   x        .     U     .   od/U  x    .    -
    u     .      d/l    .  d/A   x     sd/u   cd/u   x        .     U!    .   od/u  x    .    -
    A     .      d/K    .  x     x     sd/A   cd/A   x        .     A     .   od/A  x    .    -
    L     d/u~   .      .  d/K   x     sd/L   cd/L   x        .     L     .   od/L  x    .    -
    l     d/u~   .      .  d/K   x     sd/l   cd/l   x        .     L!    .   od/l  x    .    -
    K     d/u~   .      .  x     d/N   sd/K   cd/K   x        .     K     .   od/K  x    .    -
    """,
    # shelved, and suppressed by design behind it
    "sd/": """
          true   false  ?  ack   reset shelve clear  unshelve sup   uns   s?  out   in   age  end
    N     sd/u~  .      .  x     x     sd/N   cd/N   d/N      .     s/N   .   od/N  x    .    d/N
    U     .      sd/R   .  sd/A  x     sd/U   cd/U   d/U      .     s/U   .   od/U  x    .    d/U
    u     .      sd/r   .  sd/A  x     sd/u   cd/u   d/u      .     s/u   .   od/u  x    .    d/u
    A     .      sd/N   .  x     x     sd/A   cd/A   d/A      .     s/A   .   od/A  x    .    d/A
    R     sd/u~  .      .  sd/N  x     sd/R   cd/R   d/R      .     s/R   .   od/R  x    .    d/R
    r     sd/u~  .      .  sd/N  x     sd/r   cd/r   d/r      .     s/r   .   od/r  x    .    d/r

    U     .      sd/L   .  sd/A  x     sd/U   cd/U   d/U      .     s/U   .   od/U  x    .    d/U
    u     .      sd/l   .  sd/A  x     sd/u   cd/u   d/u      .     s/u   .   od/u  x    .    d/u
    A     .      sd/K   .  x     x     sd/A   cd/A   d/A      .     s/A   .   od/A  x    .    d/A
    L     sd/u~  .      .  sd/K  x     sd/L   cd/L   d/L      .     s/L   .   od/L  x    .    d/L
    l     sd/u~  .      .  sd/K  x     sd/l   cd/l   d/l      .     s/l   .   od/l  x    .    d/l
    K     sd/u~  .      .  x     sd/N  sd/K   cd/K   d/K      .     s/K   .   od/K  x    .    d/K
    """,
    # shelved until it has cleared, and suppressed by design behind it
    "cd/": """
          true   false  ?  ack   reset shelve clear  unshelve sup   uns   s?  out   in   age  end
    N     cd/u~  .      .  x     x     sd/N   cd/N   d/N      .     c/N   .   od/N  x    .    d/N
    U     .      d/R    .  cd/A  x     sd/U   cd/U   d/U      .     c/U   .   od/U  x    .    d/U
    u     .      d/r    .  cd/A  x     sd/u   cd/u   d/u      .     c/u   .   od/u  x    .    d/u
    A     .      d/N    .  x     x     sd/A   cd/A   d/A      .     c/A   .   od/A  x    .    d/A
    R     cd/u~  .      .  cd/N  x     sd/R   cd/R   d/R      .     c/R   .   od/R  x    .    d/R

    U     .      d/L    .  cd/A  x     sd/U   cd/U   d/U      .     c/U   .   od/U  x    .    d/U
    u     .      d/l    .  cd/A  x     sd/u   cd/u   d/u      .     c/u   .   od/u  x    .    d/u
    A     .      d/K    .  x     x     sd/A   cd/A   d/A      .     c/A   .   od/A  x    .    d/A
    L     cd/u~  .      .  cd/K  x     sd/L   cd/L   d/L      .     c/L   .   od/L  x    .    d/L
    K     cd/u~  .      .  x     cd/N  sd/K   cd/K   d/K      .     c/K   .   od/K  x    .    d/K
    """,
    # out of service
    "o/": """
          true   false  ?  ack   reset shelve clear  unshelve sup   uns   s?  out   in   age  end
    N     o/u~   .      .  x     x     x      x      x        od/N  .     .   x     N    .    -
    U     .      o/R    .  o/A   x     x      x      x        od/U  .     .   x     U!   .    -
    u     .      o/r    .  o/A   x     x      x      x        od/u  .     .   x     U!   .    -
    A     .      o/N    .  x     x     x      x      x        od/A  .     .   x     U!   .    -
    R     o/u~   .      .  o/N   x     x      x      x        od/R  .     .   x     N    .    -
    r     o/u~   .      .  o/N   x     x      x      x        od/r  .     .   x     N    .    -

    U     .      o/L    .  o/A   x     x      x      x        od/U  .     .   x     U!   .    -
    u     .      o/l    .  o/A   x     x      x      x        od/u  .     .   x     U!   .    -
    A     .      o/K    .  x     x     x      x      x        od/A  .     .   x     U!   .    -
    L     o/u~   .      .  o/K   x     x      x      x        od/L  .     .   x     L    .    -
    l     o/u~   .      .  o/K   x     x      x      x        od/l  .     .   x     L!   .    -
    K     o/u~   .      .  x     o/N   x      x      x        od/K  .     .   x     K    .    -
    """,
    # out of service, and suppressed by design behind it
    "od/": """
          true   false  ?  ack   reset shelve clear  unshelve sup   uns   s?  out   in   age  end
    N     od/u~  .      .  x     x     x      x      x        .     o/N   .   x     d/N  .    -
    U     .      od/R   .  od/A  x     x      x      x        .     o/U   .   x     d/U  .    -
    u     .      od/r   .  od/A  x     x      x      x        .     o/u   .   x     d/u  .    -
    A     .      od/N   .  x     x     x      x      x        .     o/A   .   x     d/A  .    -
    R     od/u~  .      .  od/N  x     x      x      x        .     o/R   .   x     d/R  .    -
    r     od/u~  .      .  od/N  x     x      x      x        .     o/r   .   x     d/r  .    -

    U     .      od/L   .  od/A  x     x      x      x        .     o/U   .   x     d/U  .    -
    u     .      od/l   .  od/A  x     x      x      x        .     o/u   .   x     d/u  .    -
    A     .      od/K   .  x     x     x      x      x        .     o/A   .   x     d/A  .    -
    L     od/u~  .      .  od/K  x     x      x      x        .     o/L   .   x     d/L  .    -
    l     od/u~  .      .  od/K  x     x      x      x        .     o/l   .   x     d/l  .    -
    K     od/u~  .      .  x     od/N  x      x      x        .     o/K   .   x     d/K  .    -
    """,
}

# A rule with `annunciate: no`, or of the priority `journal`: nobody is told, nobody is asked.
SILENT = """
          true   false  ?  ack   reset shelve clear  unshelve sup   uns   s?  out   in   age  end
    N     u=     .      .  x     x     s/N    c/N    x        d/N   .     .   o/N   x    .    -
    u     .      N      .  A     x     s/u    c/u    x        d/u   .     .   o/u   x    .    -
    A     .      N      .  x     x     s/A    c/A    x        d/A   .     .   o/A   x    .    -
"""
