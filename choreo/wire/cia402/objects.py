"""Objects of the drive profile that choreo reads, by index and sub-index (facts.md C10; CiA 402)."""

from dataclasses import dataclass

from choreo.wire.words import Setting


@dataclass(frozen=True, slots=True)
class DriveObject:
    """An entry of a drive's object dictionary: where it is, how wide, and its name in the profile."""

    index: int
    subindex: int
    bits: int
    signed: bool
    name: str

    @property
    def size(self) -> int:
        """In bytes."""
        return self.bits // 8

    @property
    def place(self) -> str:
        """`0x6041:00`."""
        return f"{self.index:#06x}:{self.subindex:02x}"

    def value(self, data: bytes) -> int:
        """The value of its bytes; little-endian as everything in CiA 301."""
        return int.from_bytes(data, "little", signed=self.signed)


ERROR_CODE = DriveObject(0x603F, 0, 16, False, "error code")
STATUSWORD = DriveObject(0x6041, 0, 16, False, "statusword")
POSITION_ACTUAL = DriveObject(0x6064, 0, 32, True, "position actual value")
FOLLOWING_ERROR_WINDOW = DriveObject(0x6065, 0, 32, False, "following error window")
MAX_TORQUE = DriveObject(0x6072, 0, 16, False, "max torque")
PROFILE_VELOCITY = DriveObject(0x6081, 0, 32, False, "profile velocity")
PROFILE_ACCELERATION = DriveObject(0x6083, 0, 32, False, "profile acceleration")
QUICK_STOP_DECELERATION = DriveObject(0x6085, 0, 32, False, "quick stop deceleration")
PROFILE_JERK = DriveObject(0x60A4, 1, 32, False, "profile jerk")

#: Which object holds which setting.
SETTING_OBJECTS: dict[Setting, DriveObject] = {
    Setting.SPEED: PROFILE_VELOCITY,
    Setting.ACCELERATION: PROFILE_ACCELERATION,
    Setting.JERK: PROFILE_JERK,
    Setting.QUICK_STOP: QUICK_STOP_DECELERATION,
    Setting.FOLLOWING_ERROR: FOLLOWING_ERROR_WINDOW,
    Setting.TORQUE_LIMIT: MAX_TORQUE,
}
