/* GCC's unwinder asks the C library which table of frames belongs to an address, by a call that
 * glibc has since 2.35 and musl has not. A program that is linked statically has one table. */
#define _GNU_SOURCE
#include <link.h>
#include <stddef.h>

/* As glibc's <dlfcn.h> has it for x86-64. */
struct dl_find_object {
    unsigned long long flags;
    void *map_start, *map_end;
    struct link_map *link_map;
    void *eh_frame;
    unsigned long long reserved[7];
};

struct search {
    unsigned long pc;
    struct dl_find_object *found;
    int has_found;
};

static int look(struct dl_phdr_info *object, size_t size, void *of)
{
    struct search *search = of;
    (void)size;
    for (int i = 0; i < object->dlpi_phnum; i++) {
        const ElfW(Phdr) *part = &object->dlpi_phdr[i];
        unsigned long start = object->dlpi_addr + part->p_vaddr;
        if (part->p_type == PT_LOAD && search->pc - start < part->p_memsz) {
            search->found->map_start = (void *)start;
            search->found->map_end = (void *)(start + part->p_memsz);
            search->has_found = 1;
        } else if (part->p_type == PT_GNU_EH_FRAME) {
            search->found->eh_frame = (void *)start;
        }
    }
    return search->has_found;
}

int _dl_find_object(void *pc, struct dl_find_object *found)
{
    struct search search = { (unsigned long)pc, found, 0 };
    *found = (struct dl_find_object){ 0 };
    dl_iterate_phdr(look, &search);
    return search.has_found && found->eh_frame ? 0 : -1;
}
