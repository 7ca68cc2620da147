<?php

namespace Sound;

final class Refused extends \DomainException
{
}
