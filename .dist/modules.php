<?php

// Lists what is in the binaries: assay.spdx.json (SPDX 2.3) and NOTICES, the texts of licences.
//
//   php modules.php MODULES OUT VERSION TIME
//
// MODULES is what go version -m prints of a binary, OUT the folder to write to, TIME seconds
// since 1970. Modules are looked up in Go's module cache, the C library with dpkg.

[, $modules, $out, $version, $time] = $argv;

/** Runs a program and gives what it prints. */
function output(string ...$command): string
{
    $process = proc_open($command, [1 => ['pipe', 'w']], $pipes);
    $text = stream_get_contents($pipes[1]);
    if (proc_close($process) !== 0) {
        fwrite(STDERR, implode(' ', $command) . " failed\n");
        exit(1);
    }
    return $text;
}

/** Gives the SPDX identifier of a licence's text, or NOASSERTION where it is not sure. */
function licence(string $text): string
{
    $text = preg_replace('/\s+/', ' ', $text);
    $found = [];
    if (str_contains($text, 'Apache License Version 2.0')) {
        $found[] = 'Apache-2.0';
    }
    if (str_contains($text, 'Permission is hereby granted, free of charge, to any person obtaining a copy')) {
        $found[] = 'MIT';
    }
    if (str_contains($text, 'Redistribution and use in source and binary forms')) {
        $found[] = preg_match('/Neither the name|may be used to endorse/i', $text) ? 'BSD-3-Clause' : 'BSD-2-Clause';
    }
    return count($found) === 1 ? $found[0] : 'NOASSERTION';
}

/** Gives the licence texts of a folder, by name. */
function texts(string $dir): array
{
    $found = [];
    foreach (scandir($dir) as $name) {
        if (preg_match('/^(licen[cs]e|copying|notice|patents)([.-].*)?$/i', $name) && is_file("$dir/$name")) {
            $found[$name] = file_get_contents("$dir/$name");
        }
    }
    return $found;
}

/** Gives a package as SPDX has it. */
function package(string $id, string $name, string $version, string $licence, string $from, string $purl): array
{
    $package = ['SPDXID' => "SPDXRef-$id", 'name' => $name, 'versionInfo' => $version, 'downloadLocation' => $from,
        'filesAnalyzed' => false, 'licenseConcluded' => 'NOASSERTION', 'licenseDeclared' => $licence, 'copyrightText' => 'NOASSERTION'];
    if ($purl !== '') {
        $package['externalRefs'] = [['referenceCategory' => 'PACKAGE-MANAGER', 'referenceType' => 'purl', 'referenceLocator' => $purl]];
    }
    return $package;
}

$packages = [package('assay', 'assay', $version, 'NOASSERTION', 'NOASSERTION', '')];
$notices = "assay is put together from the modules below and parts of a C library. Their licences follow.\n";
$add = function (array $package, array $texts) use (&$packages, &$notices): void {
    $packages[] = $package;
    foreach ($texts as $name => $text) {
        $notices .= "\n" . str_repeat('-', 72) . "\n{$package['name']} {$package['versionInfo']}: $name\n\n" . rtrim($text) . "\n";
    }
};

preg_match('/: (go\S+)/', file($modules)[0], $go);
$root = trim(output('go', 'env', 'GOROOT'));
$texts = texts($root) ?: texts("$root/..");
$add(package('go', 'std', $go[1], licence($texts['LICENSE'] ?? ''), 'https://go.dev/dl/', "pkg:golang/std@$go[1]"), $texts);

preg_match_all('/^\tdep\t(\S+)\t(\S+)\t/m', file_get_contents($modules), $rows, PREG_SET_ORDER);
foreach ($rows as [, $path, $release]) {
    $dir = trim(output('go', 'list', '-m', '-f', '{{.Dir}}', $path));
    $texts = texts($dir);
    $id = preg_replace('/[^A-Za-z0-9.-]+/', '-', $path);
    $add(package($id, $path, $release, licence(implode("\n", array_slice($texts, 0, 1))),
        'https://proxy.golang.org/' . preg_replace_callback('/[A-Z]/', fn ($m) => '!' . strtolower($m[0]), $path) . "/@v/$release.zip", "pkg:golang/$path@$release"), $texts);
    if (!$texts) {
        fwrite(STDERR, "$path has no licence\n");
        exit(1);
    }
}

foreach (['libc6-dev' => 'LGPL-2.1-or-later', 'libc6-dev-arm64-cross' => 'LGPL-2.1-or-later', 'gcc' => 'GPL-3.0-or-later WITH GCC-exception-3.1',
    'gcc-aarch64-linux-gnu' => 'GPL-3.0-or-later WITH GCC-exception-3.1'] as $name => $licence) {
    $installed = trim(output('dpkg-query', '-W', '-f', '${Version}', $name));
    $add(package($name, $name, $installed, $licence, 'NOASSERTION', "pkg:deb/debian/$name@" . rawurlencode($installed)), []);
}
$notices .= "\n" . str_repeat('-', 72) . "\nParts of the GNU C Library (LGPL 2.1 or later) and of GCC's libgcc (GPL 3 or later, with the\n"
    . "GCC Runtime Library Exception) are linked in. With assay's source, and .ci/run dist, it can be\nlinked with others.\n";

$document = [
    'spdxVersion' => 'SPDX-2.3', 'dataLicense' => 'CC0-1.0', 'SPDXID' => 'SPDXRef-DOCUMENT', 'name' => "assay-$version",
    'documentNamespace' => 'https://spdx.org/spdxdocs/assay-' . rawurlencode($version) . '-' . substr(hash('sha256', serialize($packages)), 0, 32),
    'creationInfo' => ['created' => gmdate('Y-m-d\TH:i:s\Z', (int) $time), 'creators' => ['Tool: assay-.dist/modules.php']],
    'packages' => $packages,
    'relationships' => [['spdxElementId' => 'SPDXRef-DOCUMENT', 'relationshipType' => 'DESCRIBES', 'relatedSpdxElement' => 'SPDXRef-assay']],
];
foreach (array_slice($packages, 1) as $p) {
    $document['relationships'][] = ['spdxElementId' => 'SPDXRef-assay', 'relationshipType' => 'STATIC_LINK', 'relatedSpdxElement' => $p['SPDXID']];
}
file_put_contents("$out/assay.spdx.json", json_encode($document, JSON_PRETTY_PRINT | JSON_UNESCAPED_SLASHES | JSON_THROW_ON_ERROR) . "\n");
file_put_contents("$out/NOTICES", $notices);
