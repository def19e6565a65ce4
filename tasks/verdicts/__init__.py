"""What several workouts together say of a device: better, worse, alike, unclear, or too few.

`across` answers every question that the store holds workouts for. The workout is
the unit of replication, never the second: each gives one number per device. Of a metric whose best
value is zero the size counts, not the sign. Questions are answered in families, each at a mark of
its own (`marks`):

* the headline (`devices`): primary metrics, in all places and in each, against one opponent named
  beforehand; every further opponent has a headline with its own mark;
* whether place matters (`places`): where it does, the places are reported and the whole is not;
* details (`devices`): all other metrics, where a primary one of their domain is shown;
* criteria (`criteria`): a device against limits that somebody set;
* conditions (`conditions`): a device in two, e.g. two wrists, display modes or firmwares.

A family is tested by joint sign flips of whole workouts (`families`, `tasks.maths.sign_flips`), the
word is chosen in `words`, the row written in `rows`. Failures count (`pairing`).

Beside the answers stand the levels of each device (`levels`), its limits of agreement
(`agreement`), and, where not every workout has both devices, a model of all of them (`models`).
"""
