<?php

foreach (['fares', 'Refused', 'Cargo', 'Length', 'Deck', 'Sailing', 'Tariff', 'Boarding', 'Names', 'Log', 'Clock'] as $file) {
    require __DIR__ . "/../src/{$file}.php";
}
