<?php

declare(strict_types=1);

namespace PHPUnit\AssayHarness;

/** What XML documents and SQLite databases hold: objects that are a window to memory outside PHP. */
final class StateDocuments
{
    private const KINDS = ['dom' => true, 'simpleXml' => true, 'pdo' => true];
    /** Rows, and pages of the database, up to which a database is looked at. */
    private const ROWS = 2000;
    private const PAGES = 512;

    private StateObjects $objects;
    private StateFiles $files;

    public function __construct(StateObjects $objects, StateFiles $files)
    {
        $this->objects = $objects;
        $this->files = $files;
    }

    public function knows(string $kind): bool
    {
        return isset(self::KINDS[$kind]);
    }

    /** @return array<mixed> */
    public function view(string $kind, object $value): array
    {
        return $this->{$kind}($value);
    }

    private function dom(\DOMNode $node): array
    {
        $vars = \get_mangled_object_vars($node);
        if ($node instanceof \DOMDocument) {
            return [$this->xml($node), $node->formatOutput, $node->preserveWhiteSpace, $node->strictErrorChecking, $node->recover,
                $node->substituteEntities, $node->resolveExternals, $node->validateOnParse,
                $this->files->relative((string) $node->documentURI), $vars];
        }
        $document = $node->ownerDocument;

        return [$document, $this->objects->native('DOMNode', 'getNodePath', $node), $document === null ? $node->nodeValue : $this->xml($document, $node), $vars];
    }

    /** @return string|false */
    private function xml(\DOMDocument $document, ?\DOMNode $node = null)
    {
        return $this->objects->native('DOMDocument', 'saveXML', $document, $node);
    }

    private function simpleXml(\SimpleXMLElement $element): array
    {
        $node = \dom_import_simplexml($element);

        return [$node->ownerDocument, $this->objects->native('DOMNode', 'getNodePath', $node), $this->objects->native('SimpleXMLElement', 'count', $element)];
    }

    /**
     * A database of SQLite, looked at with the connection's own eyes: what it has not
     * committed counts. Nothing is looked at where the connection has an error to tell
     * of, or has not been used yet: either is seen by errorCode(), and a look would
     * wipe it away.
     */
    private function pdo(\PDO $database): array
    {
        if ($this->objects->native('PDO', 'errorCode', $database) !== '00000') {
            $this->objects->hidden = 'PDO';

            return [];
        }
        $get = function (int $attribute) use ($database) {
            return $this->objects->native('PDO', 'getAttribute', $database, $attribute);
        };
        if ($get(\PDO::ATTR_DRIVER_NAME) !== 'sqlite') {
            $this->objects->hidden = 'PDO';

            return [];
        }
        $settings = [];
        foreach ([\PDO::ATTR_ERRMODE, \PDO::ATTR_CASE, \PDO::ATTR_ORACLE_NULLS, \PDO::ATTR_DEFAULT_FETCH_MODE, \PDO::ATTR_STATEMENT_CLASS] as $attribute) {
            $settings[$attribute] = $get($attribute);
        }
        $vars = \get_mangled_object_vars($database);
        $set = function (int $attribute, $value) use ($database): void {
            $this->objects->native('PDO', 'setAttribute', $database, $attribute, $value);
        };
        $set(\PDO::ATTR_STATEMENT_CLASS, [\PDOStatement::class]);
        $set(\PDO::ATTR_ERRMODE, \PDO::ERRMODE_EXCEPTION);
        try {
            $view = [$settings, $vars, $this->objects->native('PDO', 'inTransaction', $database),
                $this->objects->native('PDO', 'lastInsertId', $database), $this->tables($database)];
        } finally {
            $set(\PDO::ATTR_ERRMODE, $settings[\PDO::ATTR_ERRMODE]);
            $set(\PDO::ATTR_STATEMENT_CLASS, $settings[\PDO::ATTR_STATEMENT_CLASS]);
        }

        return $view;
    }

    /** @return array<mixed> */
    private function tables(\PDO $database): array
    {
        $all = function (string $query) use ($database): array {
            return $this->objects->native('PDO', 'query', $database, $query)->fetchAll(\PDO::FETCH_NUM);
        };
        if ($all('PRAGMA page_count')[0][0] > self::PAGES) {
            throw new \OverflowException('The database is too large to be looked at.');
        }
        $left = self::ROWS;
        $schema = $all("SELECT 'main', type, name, sql FROM sqlite_master UNION ALL SELECT 'temp', type, name, sql FROM sqlite_temp_master");
        $tables = [$schema, $all('PRAGMA user_version'), $all('PRAGMA foreign_keys'), $all('PRAGMA database_list')];
        if (\count($tables[3]) > 2 || \count($tables[3]) === 2 && $tables[3][1][1] !== 'temp') {
            throw new \UnexpectedValueException('A second database is attached.');
        }
        foreach ($schema as [$where, $type, $name, $sql]) {
            if ($type !== 'table') {
                continue;
            }
            if (\stripos($sql . '', ' AS (') !== false || \stripos($sql . '', 'CREATE VIRTUAL') === 0) {
                throw new \UnexpectedValueException('Reading may run functions of the program.');
            }
            $rows = $all("SELECT * FROM {$where}.\"" . \str_replace('"', '""', $name) . '" LIMIT ' . ($left + 1));
            $left -= \count($rows);
            if ($left < 0) {
                throw new \OverflowException('The database is too large to be looked at.');
            }
            $tables[] = $rows;
        }

        return $tables;
    }
}
