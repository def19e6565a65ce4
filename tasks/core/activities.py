"""Our words for activities, and the words of the formats that mean them."""

from __future__ import annotations

from typing import Final

#: Activities that notes may name.
ACTIVITIES: Final = (
    "running",
    "cycling",
    "mountain-biking",
    "walking",
    "hiking",
    "swimming",
    "strength",
    "intervals",
    "stairs",
    "elliptical",
    "rowing",
    "other",
)

#: Places that notes may name.
PLACES: Final = ("outdoors", "treadmill", "trainer", "pool", "gym", "track")
#: What a place is for questions across workouts.
_SURROUNDINGS: Final = {
    "outdoors": "outdoors",
    "track": "outdoors",
    "treadmill": "indoors",
    "trainer": "indoors",
    "pool": "indoors",
    "gym": "indoors",
}

_WORDS: Final = {
    **{activity: activity for activity in ACTIVITIES},
    "running": "running",
    "run": "running",
    "trail running": "running",
    "trail_running": "running",
    "jogging": "running",
    "cycling": "cycling",
    "biking": "cycling",
    "bike": "cycling",
    "ride": "cycling",
    "road_cycling": "cycling",
    "mountain_biking": "mountain-biking",
    "mountain biking": "mountain-biking",
    "mountain": "mountain-biking",
    "e_biking": "cycling",
    "walking": "walking",
    "walk": "walking",
    "hiking": "hiking",
    "hike": "hiking",
    "swimming": "swimming",
    "swim": "swimming",
    "training": "strength",
    "strength_training": "strength",
    "strength": "strength",
    "fitness_equipment": "other",
    "hiit": "intervals",
    "stair_climbing": "stairs",
    "stair_stepper": "stairs",
    "elliptical": "elliptical",
    "rowing": "rowing",
    "indoor_rowing": "rowing",
}

#: Makers of rides and runs in invented places, as their exports name them.
_VIRTUAL_CREATORS: Final = ("zwift", "rouvy")


def names_virtual_place(*words: str | None) -> bool:
    """Say whether a format's words tell that the positions are invented, as on a trainer."""
    text = " ".join(word.lower() for word in words if word)
    return any(word in text for word in ("virtual", *_VIRTUAL_CREATORS))


def name_activity(word: str | None) -> str | None:
    """Return our word for a format's `word`; "other" for one that we do not know, None for none."""
    if word is None or not word.strip():
        return None
    folded = word.strip().lower().replace("-", "_")
    return _WORDS.get(folded) or _WORDS.get(folded.replace("_", " ")) or "other"


def find_surroundings(place: str | None) -> str | None:
    """Return outdoors or indoors for a place; None where the place is not known.

    Where notes name no place, a satellite track has made it `outdoors` already.
    """
    return _SURROUNDINGS.get(place or "")
