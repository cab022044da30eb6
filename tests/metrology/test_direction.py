from calfleet.metrology.direction import Direction


def test_the_opposite_of_each_direction_and_back() -> None:
    assert Direction.RISING.opposite is Direction.FALLING
    assert all(direction.opposite.opposite is direction for direction in Direction)


def test_a_direction_is_its_stored_word() -> None:
    assert Direction("falling") is Direction.FALLING
    assert str(Direction.RISING) == "rising"
