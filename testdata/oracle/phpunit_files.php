<?php
// Writes, as JSON, which files PHPUnit itself (9.6) takes for tests and for
// source by the configuration that is named.
declare(strict_types=1);

use PHPUnit\TextUI\TestSuiteMapper;
use PHPUnit\TextUI\XmlConfiguration\CodeCoverage\FilterMapper;
use PHPUnit\TextUI\XmlConfiguration\Loader;
use SebastianBergmann\CodeCoverage\Filter;
use SebastianBergmann\FileIterator\Facade;

require 'PHPUnit/Autoload.php';
error_reporting(E_ALL & ~E_DEPRECATED);

$config = (new Loader())->load($argv[1]);
$tests = [];
foreach ($config->testSuite() as $suite) {
    $exclude = array_map(static fn($file) => $file->path(), $suite->exclude()->asArray());
    foreach ($suite->directories() as $d) {
        array_push($tests, ...(new Facade())->getFilesAsArray($d->path(), $d->suffix(), $d->prefix(), $exclude));
    }
    foreach ($suite->files() as $file) {
        $tests[] = realpath($file->path());
    }
}
$filter = new Filter();
(new FilterMapper())->map($filter, $config->codeCoverage());
$source = $filter->files();
sort($tests);
sort($source);
echo json_encode(['tests' => array_values(array_unique($tests)), 'source' => $source], JSON_THROW_ON_ERROR), "\n";
